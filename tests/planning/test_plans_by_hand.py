"""Drafts changed by hand: looked at, kept, told, taken back."""

from __future__ import annotations

from typing import Any

import pytest

from core.accounts.actor import Actor
from core.models import Change
from core.problems import IllegalMove, Invalid, Stale
from faults.dispatch.by_hand import HandMove
from faults.models import DayPlan, PlannedVisit
from faults.selectors.day_plans import plan_get
from faults.services.call_moves import Move, call_move
from faults.services.crew_cards import CallWants, call_needs_set
from faults.services.plan_publishing import plan_publish
from faults.services.plans_by_hand import (
    hand_move_checked,
    plan_move_by_hand,
    plan_undo_by_hand,
)
from faults.transitions import CallState
from tests.planning.test_day_plans import at_dawn, made
from tests.planning.towns import a_call, a_crew

__all__ = ["at_dawn"]

pytestmark = pytest.mark.slow


def rows(plan: DayPlan) -> dict[str, tuple[Any, ...]]:
    visits = PlannedVisit.objects.filter(plan=plan)
    return {one.name: (one.crew_id, one.starts_at, one.is_locked) for one in visits}


def test_a_draft_is_changed_by_hand_and_keeps_what_it_was_made_of(by: Actor, at_dawn: Any) -> None:
    crews = {one.public_id: one for one in (a_crew(by, "Ash"), a_crew(by, "Birch"))}
    for number in range(2):
        a_call(by, number)
    plan = made(by)
    before, ids = rows(plan), {one.name: one.public_id for one in plan.visits.all()}
    name = next(iter(before))
    other = next(one for one in crews.values() if one.pk != before[name][0])
    move = HandMove(name, other.public_id, after="")
    checked = hand_move_checked(plan, move)
    assert checked.stop is not None
    assert rows(plan) == before, "looking keeps nothing"
    held = plan_move_by_hand(plan=plan, move=move, version=plan.version, by=by)
    after = rows(plan)
    assert (after[name][0], after[name][2]) == (other.pk, True)
    assert {one.name: one.public_id for one in plan.visits.all()} == ids
    assert plan.visits.get(name=name).why == "Put there by tests."
    assert {key: row[0] for key, row in after.items() if key != name} == {
        key: row[0] for key, row in before.items() if key != name
    }
    with pytest.raises(Stale):
        plan_move_by_hand(plan=plan, move=move, version=plan.version, by=by)
    out = HandMove(name, "")
    held = plan_move_by_hand(plan=held, move=out, version=held.version, by=by)
    assert name not in rows(plan)
    (left,) = held.answer["left_out"]
    assert (left["visit"], left["text"]) == (name, "Taken out by tests.")
    back = plan_undo_by_hand(plan=held, version=held.version, by=by)
    assert rows(plan) == before
    told = [one.action for one in Change.objects.filter(object_id=plan.public_id).order_by("pk")]
    assert told[-3:] == ["plan.changed-by-hand", "plan.changed-by-hand", "plan.taken-back"]
    with pytest.raises(IllegalMove):
        plan_undo_by_hand(plan=back, version=back.version, by=by)


def test_what_cannot_be_kept_changes_nothing_and_says_why(by: Actor, at_dawn: Any) -> None:
    a_crew(by, "Ash", skills=["digging"])
    plain = a_crew(by, "Birch")
    call = a_call(by, 1)
    call_needs_set(call=call, wants=CallWants(skills=["digging"]), version=0, by=by)
    plan = made(by)
    before = rows(plan)
    move = HandMove(f"call:{call.public_id}", plain.public_id)
    with pytest.raises(Invalid) as refused:
        plan_move_by_hand(plan=plan, move=move, version=plan.version, by=by)
    assert refused.value.defects[0].what == f"{plain.public_id} lacks skill digging."
    assert rows(plan) == before
    published = plan_publish(plan=plan, version=plan.version, by=by)
    with pytest.raises(IllegalMove):
        hand_move_checked(published, move)


def test_what_was_put_by_hand_stays_in_the_next_plan(by: Actor, at_dawn: Any) -> None:
    crews = [a_crew(by, name) for name in ("Ash", "Birch")]
    calls = [a_call(by, number) for number in range(2)]
    plan = made(by)
    name, (crew_id, *_) = next(iter(rows(plan).items()))
    other = next(one for one in crews if one.pk != crew_id)
    held = plan_move_by_hand(
        plan=plan, move=HandMove(name, other.public_id), version=plan.version, by=by
    )
    held = plan_publish(plan=held, version=held.version, by=by)
    kept = rows(held)[name]
    gone = next(one for one in calls if f"call:{one.public_id}" != name)
    gone.refresh_from_db()
    call_move(call=gone, move=Move(CallState.CANCELLED, "it healed"), version=gone.version, by=by)
    again = made(by)
    assert rows(again)[name] == kept
    assert plan_get(again.public_id).told_id == held.pk
    # What the plan had changed against the one that was told is told with who put it there.
    moved = HandMove(name, "")
    with pytest.raises(Invalid, match="cannot be kept"):
        plan_move_by_hand(plan=again, move=moved, version=again.version, by=by)
