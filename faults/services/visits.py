"""What becomes of the visits of the plan that holds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db import transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import locked_one, refuse_past
from core.problems import Defect, IllegalMove
from core.text_checks import line_defects, refuse_defects
from faults.models.dispatch import CrewCard, PlannedVisit, PlanState, VisitState
from sites.models.property import Property

Document = dict[str, Any]

MOST_WORDS = 500
MOST_LACKED = 20
LONGEST_LACKED = 80

LEGAL_VISITS = {
    VisitState.PLANNED: (VisitState.STARTED, VisitState.MISSED),
    VisitState.STARTED: (VisitState.DONE, VisitState.MISSED),
    VisitState.DONE: (),
    VisitState.MISSED: (),
}
_ENDS = frozenset({VisitState.DONE, VisitState.MISSED})


def visit_told(visit: PlannedVisit) -> Document:
    """A visit as the feed tells it."""
    return {
        "name": visit.name,
        "crew": visit.crew.public_id,
        "starts_at": visit.starts_at.isoformat(),
        "ends_at": visit.ends_at.isoformat(),
        "state": visit.state,
        "is_locked": visit.is_locked,
        "lacked": visit.lacked,
    }


@transaction.atomic
def visit_move(
    *,
    visit: PlannedVisit,
    to: str,
    version: int,
    by: Actor,
    why: str = "",
    lacked: Sequence[str] = (),
) -> PlannedVisit:
    """Say that a visit of the published plan was started, done, or missed and why.

    ``lacked``: what was needed there and not aboard, told when it ends. Raises Invalid, Stale,
    IllegalMove with what is legal.
    """
    words = [one.strip() for one in lacked if one.strip()]
    refuse_defects("move", [*line_defects("/why", why, MOST_WORDS), *_lacked_defects(words, to)])
    held = _held_visit(visit, version)
    legal = LEGAL_VISITS[VisitState(held.state)]
    if to not in legal:
        raise IllegalMove(
            f"A visit that is {held.state} cannot become {to[:20]}.",
            extra={"state": held.state, "legal": [str(one) for one in legal]},
        )
    if to == VisitState.STARTED:
        _refuse_second_started(held)
    if to == VisitState.MISSED and not why.strip():
        refuse_defects("move", [Defect("/why", "a missed visit wants a reason", "a few words")])
    held.state, held.state_at = VisitState(to), now()
    held.missed_why = why if to == VisitState.MISSED else ""
    held.lacked = words
    if to != VisitState.MISSED:
        _crew_is_there(held)
    return _stored(held, f"visit.{to}", by)


def _crew_is_there(held: PlannedVisit) -> None:
    """Who begins or ends a visit is at its place: the crew's last position, for the next plan."""
    place = _place_of(held)
    if place is None or place.lat is None or place.lon is None:
        return
    CrewCard.objects.filter(crew=held.crew_id).update(
        position_lat=place.lat, position_lon=place.lon, position_at=held.state_at
    )


def _place_of(held: PlannedVisit) -> Property | None:
    if held.call is not None:
        return held.call.property
    if held.soak_check is not None:
        return held.soak_check.repair.call.property
    return held.inspection.property if held.inspection is not None else None


def _refuse_second_started(held: PlannedVisit) -> None:
    others = PlannedVisit.objects.filter(
        plan=held.plan_id, crew=held.crew_id, state=VisitState.STARTED
    )
    other = others.exclude(pk=held.pk).first()
    if other is not None:
        raise IllegalMove(
            f"{held.crew.name} is at {other.name} still: say first what became of that visit.",
            extra={"state": held.state, "legal": [str(VisitState.MISSED)], "other": other.name},
        )


def _lacked_defects(words: list[str], to: str) -> list[Defect]:
    found = []
    if words and to not in _ENDS:
        found.append(Defect("/lacked", "what lacked is told when the visit ends", "done or missed"))
    if len(words) > MOST_LACKED:
        found.append(Defect("/lacked", f"there are {len(words)}", f"at most {MOST_LACKED}"))
    for number, word in enumerate(words[:MOST_LACKED]):
        found += line_defects(f"/lacked/{number}", word, LONGEST_LACKED)
    return found


@transaction.atomic
def visit_lock(*, visit: PlannedVisit, locked: bool, version: int, by: Actor) -> PlannedVisit:
    """Keep a visit's crew and time in later plans, or no longer; where it is so already, nothing
    is written. Raises Stale, IllegalMove."""
    held = _held_visit(visit, version)
    if held.is_locked == locked:
        return held
    held.is_locked = locked
    return _stored(held, "visit.locked" if locked else "visit.unlocked", by)


def _held_visit(visit: PlannedVisit, version: int) -> PlannedVisit:
    # The plan first, and its call before the visit: so does whoever publishes another.
    plan = locked_one(visit.plan)
    if visit.call is not None:
        locked_one(visit.call)
    held = locked_one(visit)
    refuse_past("visit", held.version, version)
    if plan.state != PlanState.PUBLISHED:
        raise IllegalMove(
            f"The visit is of a plan that is {plan.state}; only what is published is done.",
            extra={"state": held.state, "legal": []},
        )
    return held


def _stored(held: PlannedVisit, action: str, by: Actor) -> PlannedVisit:
    held.version += 1
    held.save()
    change_record(
        by=by,
        action=action,
        thing=("visit", held.public_id),
        thread_id=held.call.public_id if held.call else "",
        after=visit_told(held) | {"why": held.missed_why},
    )
    return held
