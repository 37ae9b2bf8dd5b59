"""Letting a plan hold: what crews did since it was made is carried over, or it is refused."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Q

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import lock_name, locked, locked_one, refuse_past
from core.models.accounts import Contractor
from core.problems import Conflict, IllegalMove
from faults.models.call import FaultCall
from faults.models.dispatch import DayPlan, PlannedVisit, PlanState, VisitState
from faults.models.repair import SoakState
from faults.models.trouble import InspectionState
from faults.services.call_moves import Move, call_moved
from faults.services.visits import visit_told
from faults.transitions import ENDED, CallState

MOST_TOLD = 5


@transaction.atomic
def plan_publish(*, plan: DayPlan, version: int, by: Actor) -> DayPlan:
    """Let a draft hold: its visits are told, the plan before is superseded, calls that were only
    reported are planned. A visit that its crew began or was told to keep meanwhile stays so.

    Raises Stale, IllegalMove, Conflict where another was published since this one was made, or
    what happened since does not fit it.
    """
    lock_name(f"day plans of {by.contractor_id}")
    held = locked_one(plan)
    refuse_past("plan", held.version, version)
    if held.state != PlanState.DRAFT:
        raise IllegalMove(
            f"A plan that is {held.state} cannot be published.",
            extra={"state": held.state, "legal": []},
        )
    before = next(iter(locked(DayPlan.objects.filter(state=PlanState.PUBLISHED))), None)
    if (before.pk if before else None) != held.told_id:
        raise Conflict("Another plan was published since this one was made: ask for a new one.")
    _refuse_gap(held, before, by)
    visits = _held_visits(held, before)
    _carry_over(held, before, visits)
    if before is not None:
        before.state = PlanState.SUPERSEDED
        before.version += 1
        before.save()
    held.state, held.published_at, held.published_by_name = PlanState.PUBLISHED, now(), by.name
    held.version += 1
    held.save()
    change_record(
        by=by,
        action="plan.published",
        thing=("plan", held.public_id),
        after={"superseded": before.public_id if before else ""},
    )
    for visit in visits:
        _tell(visit, by)
    if before is not None:
        _withdraw(before, {visit.name for visit in visits}, by)
    return held


def _refuse_gap(plan: DayPlan, before: DayPlan | None, by: Actor) -> None:
    """One plan holds at a time: it may not begin after work of today that the one before holds."""
    if before is None:
        return
    zone = ZoneInfo(Contractor.objects.get(pk=by.contractor_id).time_zone)
    begins = dt.datetime.combine(plan.from_day, dt.time(), zone)
    open_ = before.visits.filter(starts_at__lt=begins).filter(
        Q(state=VisitState.STARTED) | Q(state=VisitState.PLANNED, ends_at__gt=now())
    )
    if count := open_.count():
        raise Conflict(
            f"The plan that holds has {count} visits still to be done before {plan.from_day}, "
            "which this one would take off: ask for a plan from today on, of more days."
        )


def _withdraw(before: DayPlan, kept: set[str], by: Actor) -> None:
    """Tell of visits that nobody makes now: they are in no plan any more."""
    rows = before.visits.filter(state=VisitState.PLANNED).exclude(name__in=kept)
    for visit in rows.select_related("crew", "call").order_by("pk"):
        change_record(
            by=by,
            action="visit.withdrawn",
            thing=("visit", visit.public_id),
            thread_id=visit.call.public_id if visit.call else "",
            after=visit_told(visit) | {"why": "a newer plan holds, and it is not in it"},
        )


def _held_visits(plan: DayPlan, before: DayPlan | None) -> list[PlannedVisit]:
    """A plan's visits with their calls, which are locked in one order for all who lock several;
    those of the plan before too, for of some it is told that nobody comes."""
    visits = list(plan.visits.select_related("crew", "soak_check", "inspection").order_by("pk"))
    pks = {one.call_id for one in visits if one.call_id is not None}
    if before is not None:
        open_ = before.visits.filter(state=VisitState.PLANNED, call__isnull=False)
        pks |= set(open_.values_list("call", flat=True))
    held = {call.pk: call for call in locked(FaultCall.objects.filter(pk__in=sorted(pks)))}
    for visit in visits:
        visit.call = held.get(visit.call_id) if visit.call_id is not None else None
    return visits


def _carry_over(plan: DayPlan, before: DayPlan | None, visits: list[PlannedVisit]) -> None:
    """Take over what was done since; raises Conflict with what the plan does not fit."""
    changed = [*_ended_since(visits)]
    if before is not None:
        by_name = {visit.name: visit for visit in visits}
        for old in locked(before.visits.select_related("crew")):
            changed += _done_since(plan, old, by_name.get(old.name))
    if changed:
        more = f", and {len(changed) - MOST_TOLD} more" if len(changed) > MOST_TOLD else ""
        raise Conflict(
            f"Since this plan was made {'; '.join(changed[:MOST_TOLD])}{more}: ask for a new one.",
            extra={"changed": changed},
        )


def _ended_since(visits: list[PlannedVisit]) -> Iterator[str]:
    for visit in visits:
        if visit.call is not None and visit.call.state in ENDED:
            yield f"the call {visit.call.public_id} was {visit.call.state}"
        if visit.soak_check is not None and visit.soak_check.state != SoakState.OPEN:
            yield f"the look {visit.soak_check.public_id} came to {visit.soak_check.state}"
        if visit.inspection is not None and visit.inspection.state != InspectionState.OPEN:
            yield f"the inspection {visit.inspection.public_id} was {visit.inspection.state}"


def _done_since(plan: DayPlan, old: PlannedVisit, visit: PlannedVisit | None) -> Iterator[str]:
    """What became of a visit after the plan was asked for; where it fits it is taken over."""
    is_since = old.state_at is not None and old.state_at >= plan.asked_at
    who = f"{old.crew.name}'s visit {old.name}"
    if old.state == VisitState.STARTED and is_since:
        if visit is None or visit.crew_id != old.crew_id:
            yield f"{who} was started"
        elif visit.state == VisitState.PLANNED:
            visit.state, visit.state_at = VisitState.STARTED, old.state_at
            visit.save()
    elif old.state == VisitState.DONE and is_since and visit is not None:
        yield f"{who} was done"
    if old.is_locked and old.state == VisitState.PLANNED and (visit is None or not visit.is_locked):
        if visit is None or (visit.crew_id, visit.starts_at) != (old.crew_id, old.starts_at):
            yield f"{who} was to be kept as it is"
        else:
            visit.is_locked = True
            visit.save()


def _tell(visit: PlannedVisit, by: Actor) -> None:
    change_record(
        by=by,
        action="visit.planned",
        thing=("visit", visit.public_id),
        thread_id=visit.call.public_id if visit.call else "",
        after=visit_told(visit),
    )
    if visit.call is not None and visit.call.state == CallState.REPORTED:
        why = f"planned: {visit.crew.name}"
        call_moved(held=visit.call, move=Move(CallState.PLANNED, why), by=by)
