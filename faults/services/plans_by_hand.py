"""Drafts changed by hand: looked at first, then kept; and taken back to what the planner made."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from django.db import transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.locking import locked_one, refuse_past
from core.problems import Defect, IllegalMove, Invalid
from faults.dispatch.by_hand import HandMove, Moved, moved_by_hand
from faults.dispatch.errors import MoveRefusedError
from faults.dispatch.plan import Plan
from faults.dispatch.problem import Problem
from faults.dispatch.replan import changes_against
from faults.dispatch.risk import risks_of
from faults.forms.day_plan import plan_document, read_plan, read_problem
from faults.models.dispatch import DayPlan, PlannedVisit, PlanState
from faults.services.day_plans import visit_rows

Document = dict[str, Any]

_KEPT = ("crew_id", "starts_at", "ends_at", "drive_min", "why", "is_locked")


def hand_move_checked(plan: DayPlan, move: HandMove) -> Moved:
    """What a move would do to a draft; nothing is kept. No query.

    Raises IllegalMove where the plan is no draft, Invalid where the move cannot be kept, with why.
    """
    if plan.state != PlanState.DRAFT:
        raise IllegalMove(
            f"A plan that is {plan.state} is not changed by hand; ask for a new one from it.",
            extra={"state": plan.state, "legal": []},
        )
    try:
        return moved_by_hand(_problem(plan), read_plan(plan.answer["plan"]), move, _told(plan))
    except MoveRefusedError as refused:
        defect = Defect("/visit", str(refused), "another place, crew or time")
        raise Invalid("This move cannot be kept.", defects=[defect]) from refused


def plan_move_by_hand(
    *, plan: DayPlan, move: HandMove, version: int, by: Actor, keep: bool = True
) -> DayPlan:
    """Put one visit of a draft elsewhere. ``keep``: later plans leave it there.

    Raises Stale, IllegalMove, Invalid.
    """
    refuse_past("plan", plan.version, version)
    moved = hand_move_checked(plan, move)
    by_hand = plan.answer.get("by_hand", {}) | {move.visit: f"Put there by {by.name}."}
    if not move.crew:
        by_hand[move.visit] = f"Taken out by {by.name}."
    kept = {name for name in plan.answer.get("kept", []) if name != move.visit}
    answer = _answer(plan, moved.plan, by_hand)
    answer["kept"] = sorted(kept | ({move.visit} if keep and move.crew else set()))
    told = {"visit": move.visit, "crew": move.crew or None}
    return _kept(plan, answer, version, by, ("plan.changed-by-hand", told))


def plan_undo_by_hand(*, plan: DayPlan, version: int, by: Actor) -> DayPlan:
    """Take a draft back to what the planner made. Raises Stale, IllegalMove where nothing was
    changed by hand."""
    made = plan.answer.get("made")
    if plan.state != PlanState.DRAFT or made is None:
        raise IllegalMove(
            "Nothing of this plan was changed by hand.", extra={"state": plan.state, "legal": []}
        )
    return _kept(plan, made, version, by, ("plan.taken-back", {}))


def _problem(plan: DayPlan) -> Problem:
    return read_problem(plan.saw["problem"])


def _told(plan: DayPlan) -> Plan | None:
    told = plan.saw.get("told")
    return None if told is None else read_plan(told)


def _answer(plan: DayPlan, after: Plan, by_hand: dict[str, str]) -> Document:
    """What a draft says after a move: reasons of what was not touched stay as they were."""
    problem, told = _problem(plan), _told(plan)
    before: Document = plan.answer
    planned = after.places_of_visits()
    left_out = {one["visit"]: one for one in before["left_out"]}
    new = [name for name in after.left_out if name not in left_out]
    more = {name: _out_by_hand(name, by_hand.get(name, "")) for name in new}
    answer = before | {
        "plan": plan_document(after),
        "why": {name: by_hand.get(name, before["why"].get(name, "")) for name in planned},
        "left_out": [(left_out | more)[name] for name in after.left_out],
        "risks": [asdict(risk) for risk in risks_of(problem, after)],
        "by_hand": by_hand,
        "made": before.get("made", before),
    }
    if told is not None:
        changes = [asdict(one) for one in changes_against(problem, told, after)]
        for one in changes:
            one["why"] = by_hand.get(one["visit"], one["why"])
        answer["changes"] = changes
        answer["figures"] = [
            one | {"after": float(getattr(after.figures, one["name"]))} for one in before["figures"]
        ]
    return answer


def _out_by_hand(name: str, why: str) -> Document:
    return {
        "visit": name,
        "possible": True,
        "text": why,
        "would_take": "a place in a crew's day",
        "by_crew": [],
    }


@transaction.atomic
def _kept(
    plan: DayPlan, answer: Document, version: int, by: Actor, change: tuple[str, Document]
) -> DayPlan:
    held = locked_one(plan)
    refuse_past("plan", held.version, version)
    held.answer = answer
    held.version += 1
    held.save()
    before = {one.name: one for one in PlannedVisit.objects.filter(plan=held)}
    begun = {one.name: one for one in PlannedVisit.objects.filter(plan=held.told)}
    after = visit_rows(held, answer, begun)
    gone = before.keys() - {one.name for one in after}
    PlannedVisit.objects.filter(plan=held, name__in=gone).delete()
    for one in after:
        _keep_row(before.get(one.name), one)
    action, told = change
    change_record(by=by, action=action, thing=("plan", held.public_id), after=told)
    return held


def _keep_row(row: PlannedVisit | None, after: PlannedVisit) -> None:
    """Store a visit as it is now; one that was there keeps its name."""
    if row is None:
        after.save()
    elif any(getattr(row, name) != getattr(after, name) for name in _KEPT):
        for name in _KEPT:
            setattr(row, name, getattr(after, name))
        row.version += 1
        row.save()
