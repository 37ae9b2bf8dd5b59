"""What publishing a plan does to what crews did since it was made, and to the plan before."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
import time_machine

from core.accounts.actor import Actor
from core.models import Change
from core.problems import Conflict
from faults.models import DayPlan, FaultCall, PlanState, VisitState
from faults.selectors.day_problem import PlanOptions
from faults.services.call_moves import Move, call_move
from faults.services.plan_publishing import plan_publish
from faults.services.visits import visit_lock, visit_move
from tests.planning.test_day_plans import MONDAY, made
from tests.planning.towns import a_call, a_crew

pytestmark = pytest.mark.slow


@pytest.fixture
def at_dawn() -> Any:
    with time_machine.travel(MONDAY, tick=False) as traveller:
        yield traveller


def test_what_crews_did_since_a_plan_was_made_holds_in_it(by: Actor, at_dawn: Any) -> None:
    for name in ("Ash", "Birch"):
        a_crew(by, name)
    for number in range(5):
        a_call(by, number)
    plan = made(by)
    plan_publish(plan=plan, version=plan.version, by=by)
    again = made(by)
    visits = list(plan.visits.order_by("starts_at"))
    at_dawn.move_to(visits[0].starts_at)
    visit_move(visit=visits[0], to="started", version=visits[0].version, by=by)
    visit_lock(visit=visits[-1], locked=True, version=visits[-1].version, by=by)
    held = plan_publish(plan=again, version=again.version, by=by)
    after = {one.name: one for one in held.visits.all()}
    assert after[visits[0].name].state == VisitState.STARTED
    assert after[visits[0].name].state_at == visits[0].starts_at
    assert after[visits[-1].name].is_locked
    assert {one.state for one in after.values()} == {"started", "planned"}


@pytest.mark.parametrize("what", ["done", "ended", "started by another crew", "kept elsewhere"])
def test_a_plan_that_what_happened_since_does_not_fit_is_not_published(
    by: Actor, at_dawn: Any, what: str
) -> None:
    crews = [a_crew(by, name) for name in ("Ash", "Birch")]
    calls = [a_call(by, number) for number in range(4)]
    plan = made(by)
    plan_publish(plan=plan, version=plan.version, by=by)
    visit = plan.visits.get(name=f"call:{calls[0].public_id}")
    off = next(one for one in crews if one.pk == visit.crew_id)
    goes_elsewhere = what in ("started by another crew", "kept elsewhere")
    again = made(by, options=PlanOptions(crews_off=(off.public_id,)) if goes_elsewhere else None)
    at_dawn.shift(60)
    if what == "kept elsewhere":
        visit_lock(visit=visit, locked=True, version=visit.version, by=by)
    elif what == "ended":
        call = FaultCall.objects.get(pk=calls[0].pk)
        call_move(call=call, move=Move("cancelled", "found dry"), version=call.version, by=by)
    else:
        visit = visit_move(visit=visit, to="started", version=visit.version, by=by)
        if what == "done":
            visit_move(visit=visit, to="done", version=visit.version, by=by)
    with pytest.raises(Conflict, match="Since this plan was made"):
        plan_publish(plan=again, version=again.version, by=by)
    assert DayPlan.objects.get(state=PlanState.PUBLISHED).pk == plan.pk


def test_tomorrows_plan_takes_nothing_of_today_off(by: Actor, at_dawn: Any) -> None:
    a_crew(by, "Ash")
    a_call(by, 1)
    plan = made(by)
    plan_publish(plan=plan, version=plan.version, by=by)
    tomorrow = made(by, from_day=MONDAY.date() + dt.timedelta(days=1))
    with pytest.raises(Conflict, match="from today on"):
        plan_publish(plan=tomorrow, version=tomorrow.version, by=by)
    both = made(by, days=2)
    held = plan_publish(plan=both, version=both.version, by=by)
    assert held.visits.exists()


def test_a_visit_that_a_newer_plan_leaves_out_is_told_as_withdrawn(by: Actor, at_dawn: Any) -> None:
    crews = [a_crew(by, name) for name in ("Ash", "Birch")]
    calls = [a_call(by, number) for number in range(2)]
    plan = made(by)
    plan_publish(plan=plan, version=plan.version, by=by)
    off = tuple(crew.public_id for crew in crews)
    again = made(by, options=PlanOptions(crews_off=off))
    plan_publish(plan=again, version=again.version, by=by)
    told = Change.objects.filter(action="visit.withdrawn")
    assert {one.after["name"] for one in told} == {f"call:{one.public_id}" for one in calls}
    assert {one.thread_id for one in told} == {one.public_id for one in calls}
