"""Plans of days: asked for, made by a job, published, told, and what becomes of their visits."""

from __future__ import annotations

import datetime as dt
from itertools import pairwise
from typing import Any

import pytest
import time_machine

from core.accounts.actor import Actor, system_actor
from core.jobs.child import ChildCancelledError, ChildLimits
from core.models import Change, Job, JobState
from core.problems import Conflict, IllegalMove, Invalid, Stale
from core.tenancy.scope import contractor_scope
from faults.forms.day_plan import read_plan, read_problem
from faults.models import DayPlan, FaultCall, Inspection, PlannedVisit, PlanState, VisitState
from faults.selectors.day_problem import Lock, PlanOptions
from faults.services import day_plans
from faults.services.call_moves import Move, call_move
from faults.services.calls import call_assign
from faults.services.crew_cards import (
    CallWants,
    call_needs_set,
    crew_position_tell,
)
from faults.services.day_plans import plan_ask
from faults.services.plan_publishing import plan_publish
from faults.services.visits import visit_lock, visit_move
from sites.models import Property
from tests.api.things import an_inspection
from tests.dispatch.checker import defects
from tests.planning.running import run_jobs
from tests.planning.towns import HOURS, a_call, a_crew

pytestmark = pytest.mark.slow

MONDAY = dt.datetime(2026, 6, 1, 5, 0, tzinfo=dt.UTC)


def a_look(by: Actor, number: int, week: dt.date) -> Inspection:
    """A look at the stretch of a flag, at a property on the map, in the week of a Monday."""
    look = Inspection.objects.get(public_id=an_inspection(by))
    place = Property.objects.get(pk=look.property_id)
    place.lat, place.lon = 40.42, -3.70 + 0.02 * number
    place.save()
    look.planned_week = week
    look.save()
    return look


def made(by: Actor, **more: Any) -> DayPlan:
    options = more.pop("options", None)
    day = more.pop("from_day", MONDAY.date())
    plan = plan_ask(from_day=day, days=more.pop("days", 1), by=by, options=options, **more)
    run_jobs()
    plan.refresh_from_db()
    return plan


@pytest.fixture
def at_dawn() -> Any:
    with time_machine.travel(MONDAY, tick=False) as traveller:
        yield traveller


def test_a_day_is_planned_published_and_told(by: Actor, at_dawn: Any) -> None:
    crews = [a_crew(by, name) for name in ("Ash", "Birch")]
    calls = [a_call(by, number) for number in range(4)]
    plan = made(by)
    assert plan.state == PlanState.DRAFT
    visits = list(plan.visits.order_by("starts_at"))
    assert {one.name for one in visits} == {f"call:{one.public_id}" for one in calls}
    assert {one.crew_id for one in visits} <= {one.pk for one in crews}
    assert all(one.why for one in visits)
    for crew in crews:
        own = [one for one in visits if one.crew_id == crew.pk]
        assert all(a.ends_at <= b.starts_at for a, b in pairwise(own))
    held = plan_publish(plan=plan, version=plan.version, by=by)
    assert held.state == PlanState.PUBLISHED
    told = Change.objects.filter(action="visit.planned")
    assert {one.after["name"] for one in told} == {one.name for one in visits}
    assert {one.state for one in FaultCall.objects.all()} == {"planned"}
    with pytest.raises(Stale):
        plan_publish(plan=plan, version=plan.version, by=by)


def test_what_cannot_be_planned_says_why(by: Actor, at_dawn: Any) -> None:
    a_crew(by, "Ash", skills=["splicing"])
    unknown, unskilled, shut = a_call(by, 1, lat=None), a_call(by, 2), a_call(by, 3)
    call_needs_set(call=unskilled, wants=CallWants(skills=["high voltage"]), version=0, by=by)
    night = [{"weekday": 0, "start": "20:00", "stop": "22:00"}]
    call_needs_set(call=shut, wants=CallWants(access=night), version=0, by=by)
    plan = made(by)
    assert not plan.visits.exists()
    why = {one["visit"]: one["text"] for one in plan.answer["left_out"]}
    assert "high voltage" in why[f"call:{unskilled.public_id}"]
    assert why[f"call:{shut.public_id}"]
    (unasked,) = plan.saw["unasked"]
    assert unasked["visit"] == f"call:{unknown.public_id}"
    assert "no position" in unasked["why"]


def test_a_day_without_crews_or_calls_is_empty(by: Actor, at_dawn: Any) -> None:
    assert made(by).state == PlanState.DRAFT
    a_crew(by, "Ash", days_off=[MONDAY.date().isoformat()])
    call = a_call(by, 1)
    plan = made(by)
    (left,) = plan.answer["left_out"]
    assert (left["visit"], plan.visits.count()) == (f"call:{call.public_id}", 0)
    assert "shift" in left["text"]


def test_a_replan_without_a_crew_moves_its_visits_alone(by: Actor, at_dawn: Any) -> None:
    crews = {name: a_crew(by, name) for name in ("Ash", "Birch", "Cedar")}
    for number in range(6):
        a_call(by, number)
    first = made(by)
    plan_publish(plan=first, version=first.version, by=by)
    before = {one.name: one.crew_id for one in first.visits.all()}
    sick = next(iter(before.values()))
    off = next(one for one in crews.values() if one.pk == sick)
    second = made(by, options=PlanOptions(crews_off=(off.public_id,)), why="Ash is ill")
    after = {one.name: one.crew_id for one in second.visits.all()}
    assert sick not in after.values()
    stayed = {name for name, crew in before.items() if crew != sick}
    assert all(after.get(name) == before[name] for name in stayed)
    assert all(one["why"] for one in second.answer["changes"])
    plan_publish(plan=second, version=second.version, by=by)
    first.refresh_from_db()
    assert first.state == PlanState.SUPERSEDED
    assert DayPlan.objects.filter(state=PlanState.PUBLISHED).count() == 1


def test_a_plan_that_was_overtaken_is_not_published(by: Actor, at_dawn: Any) -> None:
    a_crew(by, "Ash")
    a_call(by, 1)
    one, other = made(by), made(by)
    plan_publish(plan=one, version=one.version, by=by)
    with pytest.raises(Conflict, match="since this one was made"):
        plan_publish(plan=other, version=other.version, by=by)


def test_started_and_locked_visits_stay_and_done_ones_go(by: Actor, at_dawn: Any) -> None:
    a_crew(by, "Ash")
    a_crew(by, "Birch")
    for number in range(5):
        a_call(by, number)
    plan = made(by)
    plan_publish(plan=plan, version=plan.version, by=by)
    visits = list(plan.visits.order_by("starts_at"))
    begun, locked = visits[0], visits[-1]
    at_dawn.move_to(begun.starts_at)
    begun = visit_move(visit=begun, to="started", version=begun.version, by=by)
    visit_lock(visit=locked, locked=True, version=locked.version, by=by)
    again = made(by)
    after = {one.name: one for one in again.visits.all()}
    assert (after[begun.name].crew_id, after[begun.name].state) == (begun.crew_id, "started")
    kept = after[locked.name]
    assert (kept.crew_id, kept.starts_at, kept.is_locked) == (
        locked.crew_id,
        locked.starts_at,
        True,
    )
    visit_move(visit=begun, to="done", version=begun.version, by=by)
    assert begun.name not in {one.name for one in made(by).visits.all()}


def test_a_visit_moves_as_its_table_says(by: Actor, at_dawn: Any) -> None:
    a_crew(by, "Ash")
    a_call(by, 1)
    plan = made(by)
    visit = plan.visits.get()
    with pytest.raises(IllegalMove, match="only what is published"):
        visit_move(visit=visit, to="started", version=visit.version, by=by)
    plan_publish(plan=plan, version=plan.version, by=by)
    with pytest.raises(IllegalMove) as refused:
        visit_move(visit=visit, to="done", version=visit.version, by=by)
    assert refused.value.extra["legal"] == ["started", "missed"]
    with pytest.raises(Invalid):
        visit_move(visit=visit, to="missed", version=visit.version, by=by)
    missed = visit_move(visit=visit, to="missed", why="gate shut", version=visit.version, by=by)
    assert (missed.state, missed.missed_why) == (VisitState.MISSED, "gate shut")
    with pytest.raises(Stale):
        visit_move(visit=visit, to="missed", why="again", version=visit.version, by=by)
    assert made(by).visits.get().name == visit.name, "what was missed is planned again"


def test_a_visit_is_moved_by_hand_to_a_crew_and_a_time(by: Actor, at_dawn: Any) -> None:
    ash, birch = a_crew(by, "Ash"), a_crew(by, "Birch")
    call = a_call(by, 1)
    name = f"call:{call.public_id}"
    at = dt.datetime(2026, 6, 1, 10, 30, tzinfo=dt.UTC)
    lock = Lock(name, birch.public_id, int(at.timestamp() // 60))
    visit = made(by, options=PlanOptions(locks=(lock,))).visits.get()
    assert (visit.crew_id, visit.starts_at, visit.is_locked) == (birch.pk, at, True)
    assert ash.pk != visit.crew_id


def test_a_waiting_call_is_planned_from_its_day(by: Actor, at_dawn: Any) -> None:
    a_crew(by, "Ash")
    call = a_call(by, 1)
    until = MONDAY.date() + dt.timedelta(days=2)
    call_move(call=call, move=Move("waiting", "parts", until=until), version=call.version, by=by)
    assert not made(by).visits.exists()
    visit = made(by, days=3).visits.get()
    assert visit.starts_at.date() == until


def test_a_crew_that_is_under_way_starts_where_it_is(by: Actor, at_dawn: Any) -> None:
    crew = a_crew(by, "Ash")
    a_call(by, 1)
    far = made(by).visits.get().drive_min
    at_dawn.move_to(dt.datetime(2026, 6, 1, 7, 0, tzinfo=dt.UTC))
    crew_position_tell(crew=crew, lat=40.42, lon=-3.68, by=by)
    assert made(by).visits.get().drive_min < far


@pytest.mark.parametrize(
    ("planned", "pointer"),
    [
        ({"time_zone": "Mars/Base"}, "/time_zone"),
        ({"base_lat": 91.0}, "/base_lat"),
        ({"people": 0}, "/people"),
        ({"skills": ["Splicing!"]}, "/skills"),
        ({"parts": {"gel": -1}}, "/parts"),
        ({"days_off": ["tomorrow"]}, "/days_off/0"),
        ({"hours": [{"weekday": 7, "start": "07:00", "stop": "08:00"}]}, "/hours/0"),
        ({"hours": [{"weekday": 1, "start": "7", "stop": "08:00"}]}, "/hours/0"),
        ({"hours": [HOURS[0], HOURS[0]]}, "/hours"),
    ],
)
def test_a_card_that_does_not_fit(by: Actor, planned: dict[str, Any], pointer: str) -> None:
    with pytest.raises(Invalid) as invalid:
        a_crew(by, "Ash", **planned)
    assert [defect.pointer for defect in invalid.value.defects] == [pointer]


def test_the_night_on_which_clocks_go_back_is_an_hour_longer(by: Actor) -> None:
    """25 October 2026 in Madrid: from 22:00 to 06:00 are nine hours."""
    night = [{"weekday": 5, "start": "22:00", "stop": "06:00"}]
    with time_machine.travel(dt.datetime(2026, 10, 24, 12, tzinfo=dt.UTC), tick=False):
        a_crew(by, "Owl", hours=night)
        a_call(by, 1)
        plan = made(by, from_day=dt.date(2026, 10, 24))
    (shift,) = plan.saw["problem"]["crews"][0]["shifts"]
    assert shift["stop_min"] - shift["start_min"] == 9 * 60
    assert PlannedVisit.objects.get().starts_at.date() == dt.date(2026, 10, 24)


def test_a_crew_that_a_call_was_given_to_has_it(by: Actor, at_dawn: Any) -> None:
    a_crew(by, "Ash")
    birch = a_crew(by, "Birch", base_lat=41.0)
    call = a_call(by, 1)
    call_assign(call=call, to=birch, version=call.version, by=by)
    assert made(by).visits.get().crew_id == birch.pk


def test_a_call_given_to_another_crew_after_publishing_goes_there(by: Actor, at_dawn: Any) -> None:
    crews = [a_crew(by, "Ash"), a_crew(by, "Birch")]
    call = a_call(by, 1)
    plan = made(by)
    plan_publish(plan=plan, version=plan.version, by=by)
    had = plan.visits.get().crew_id
    other = next(one for one in crews if one.pk != had)
    call.refresh_from_db()
    call_assign(call=call, to=other, version=call.version, by=by)
    again = made(by)
    visit = again.visits.get()
    assert (visit.crew_id, visit.is_locked) == (other.pk, True)
    (change,) = again.answer["changes"]
    assert (change["kind"], change["crew_after"]) == ("other crew", other.public_id)
    problem, seen = read_problem(again.saw["problem"]), read_plan(again.answer["plan"])
    assert defects(problem, seen, read_plan(again.saw["told"])) == []


def test_where_the_search_fails_the_first_plan_is_given_and_says_so(
    by: Actor, at_dawn: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    a_crew(by, "Ash")
    for number in range(12):
        a_call(by, number)
    with monkeypatch.context() as short:
        short.setattr(day_plans, "LIMITS", ChildLimits(time_s=0.05))
        plan = made(by)
    assert (plan.state, plan.refused) == (PlanState.DRAFT, "")
    assert plan.answer["plan"]["method"] == "greedy"
    assert "took more than 0.05 s" in plan.answer["cut_short"]
    problem, first = read_problem(plan.saw["problem"]), read_plan(plan.answer["plan"])
    assert defects(problem, first) == []
    assert plan.visits.count() == len(first.places_of_visits()) > 0
    searched = made(by)
    assert "cut_short" not in searched.answer
    assert searched.answer["plan"]["method"] != "greedy"


def test_a_plan_called_off_in_its_search_ends_at_once(
    by: Actor, at_dawn: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The child is ended and no plan is kept; how far it was is told meanwhile."""
    a_crew(by, "Ash")
    a_call(by, 1)
    plan = plan_ask(from_day=MONDAY.date(), days=1, by=by)
    saw = day_plans.plan_seen(plan)
    asked = []

    def called_off() -> bool:
        asked.append(len(asked))
        return True

    monkeypatch.setattr("core.jobs.child._LOOK_EVERY_S", 0.01)
    with pytest.raises(ChildCancelledError):
        day_plans.plan_answer(saw, called_off)
    assert asked == [0]
    plan.refresh_from_db()
    assert plan.state == PlanState.ASKED


def test_a_plan_that_takes_too_long_is_told_as_failed_and_asked_again(
    by: Actor, at_dawn: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    a_crew(by, "Ash")
    a_call(by, 1)
    with monkeypatch.context() as short:
        short.setattr(day_plans, "LIMITS", ChildLimits(time_s=0.05))
        short.setattr(day_plans, "FIRST_LIMITS", ChildLimits(time_s=0.05))
        failed = made(by)
    assert (failed.state, failed.visits.count()) == (PlanState.FAILED, 0)
    assert "more than 0.05 s" in failed.refused
    assert Change.objects.filter(action="plan.failed").count() == 1
    with pytest.raises(IllegalMove):
        plan_publish(plan=failed, version=failed.version, by=by)
    assert made(by).state == PlanState.DRAFT


def test_no_plan_sees_another_contractor(by: Actor, other_contractor: Any, at_dawn: Any) -> None:
    a_crew(by, "Ash")
    own = a_call(by, 1)
    with contractor_scope(other_contractor.pk):
        theirs = system_actor(other_contractor.pk, "tests")
        a_crew(theirs, "Birch")
        a_call(theirs, 2)
    assert [one.call_id for one in made(by).visits.all()] == [own.pk]


def test_a_look_at_a_trouble_stretch_is_fitted_in(by: Actor, at_dawn: Any) -> None:
    a_crew(by, "Ash")
    look = a_look(by, 1, MONDAY.date())
    other = a_look(by, 2, MONDAY.date() + dt.timedelta(days=7))
    plan = made(by)
    visit = plan.visits.get(kind="look")
    assert (visit.inspection, visit.name) == (look, f"look:{look.public_id}")
    assert other.public_id not in str(plan.saw)


@pytest.mark.parametrize("days", [-3, 400])
def test_a_plan_is_of_days_to_come(by: Actor, at_dawn: Any, days: int) -> None:
    with pytest.raises(Invalid) as invalid:
        plan_ask(from_day=MONDAY.date() + dt.timedelta(days=days), days=1, by=by)
    assert [defect.pointer for defect in invalid.value.defects] == ["/from_day"]


@pytest.mark.parametrize("state", [JobState.DEAD, JobState.CANCELLED])
def test_a_plan_whose_job_is_lost_is_told_as_failed(
    by: Actor, at_dawn: Any, state: JobState
) -> None:
    plan = plan_ask(from_day=MONDAY.date(), days=1, by=by)
    assert not day_plans.lost_plans(), "its job may still come"
    Job.objects.filter(pk=plan.job_id).update(state=state)
    assert day_plans.lost_plans() == [(by.contractor_id, plan.pk)]
    for _ in range(2):
        day_plans.plan_lost(plan_pk=plan.pk, by=by)
    plan.refresh_from_db()
    assert (plan.state, day_plans.lost_plans()) == (PlanState.FAILED, [])
    assert str(state) in plan.refused
    assert Change.objects.filter(action="plan.failed").count() == 1
