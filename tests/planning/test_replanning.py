"""What a new plan makes of visits under way, of locks that are over, and of age and access."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
import time_machine

from core.accounts.actor import Actor
from core.problems import IllegalMove
from faults.forms.day_plan import read_plan, read_problem
from faults.models import DayPlan, FaultCall, Inspection, PlannedVisit
from faults.models.repair import SoakCheck
from faults.selectors.day_problem import PlanOptions, day_problem, dry_so_far_value
from faults.services.calls import Where, call_open
from faults.services.crew_cards import CallWants, call_needs_set
from faults.services.plan_publishing import plan_publish
from faults.services.traces import trace_start
from faults.services.visits import visit_lock, visit_move
from sites.models import Property
from tests.api.things import a_soak_check, an_inspection
from tests.dispatch.checker import defects
from tests.planning.test_day_plans import MONDAY, made
from tests.planning.towns import HOURS, a_call, a_crew

pytestmark = pytest.mark.slow

AFTERNOON = [{"weekday": day, "start": "13:00", "stop": "15:00"} for day in range(7)]


@pytest.fixture
def at_dawn() -> Any:
    with time_machine.travel(MONDAY, tick=False) as traveller:
        yield traveller


def published(by: Actor, **more: Any) -> DayPlan:
    plan = made(by, **more)
    return plan_publish(plan=plan, version=plan.version, by=by)


def begun(visit: PlannedVisit, by: Actor) -> PlannedVisit:
    return visit_move(visit=visit, to="started", version=visit.version, by=by)


def checked(plan: DayPlan) -> DayPlan:
    assert plan.refused == ""
    told = read_plan(plan.saw["told"]) if "told" in plan.saw else None
    problem, answer = read_problem(plan.saw["problem"]), read_plan(plan.answer["plan"])
    assert defects(problem, answer, told) == []
    return plan


def test_a_crew_is_at_one_visit_at_a_time(by: Actor, at_dawn: Any) -> None:
    a_crew(by, "Ash")
    for number in range(2):
        a_call(by, number)
    first, second = published(by).visits.order_by("starts_at")
    begun(first, by)
    with pytest.raises(IllegalMove, match=first.name):
        begun(second, by)
    first.refresh_from_db()
    visit_move(visit=first, to="done", version=first.version, by=by)
    assert begun(second, by).state == "started"


@pytest.mark.parametrize("hour", [2, 6, 13])
def test_a_visit_begun_at_whatever_hour_stays_with_its_crew(
    by: Actor, at_dawn: Any, hour: int
) -> None:
    """Before the shift, in it, and near its end; then the shift is over and the job is not."""
    a_crew(by, "Ash")
    for number in range(3):
        a_call(by, number)
    at_dawn.move_to(MONDAY.replace(hour=1))
    visit = published(by).visits.order_by("starts_at")[0]
    at_dawn.move_to(MONDAY.replace(hour=hour))
    begun(visit, by)
    for later in (hour, 15):
        at_dawn.move_to(MONDAY.replace(hour=later))
        again = checked(made(by, days=2))
        held = again.visits.get(name=visit.name)
        assert (held.state, held.starts_at) == ("started", MONDAY.replace(hour=hour))
        assert again.visits.count() == 3


def test_a_plan_of_tomorrow_leaves_a_visit_of_today_out_and_keeps_it(
    by: Actor, at_dawn: Any
) -> None:
    a_crew(by, "Ash")
    for number in range(2):
        a_call(by, number)
    visit = published(by).visits.order_by("starts_at")[0]
    at_dawn.move_to(visit.starts_at)
    visit = begun(visit, by)
    plan = checked(made(by, from_day=MONDAY.date() + dt.timedelta(days=1)))
    assert visit.name not in str(plan.saw["problem"])
    kept = plan.visits.get(name=visit.name)
    assert (kept.state, kept.starts_at) == ("started", visit.starts_at)
    assert plan.visits.count() == 2


def test_two_visits_begun_by_one_crew_do_not_keep_a_plan_from_being_made(
    by: Actor, at_dawn: Any
) -> None:
    a_crew(by, "Ash")
    for number in range(2):
        a_call(by, number)
    visits = list(published(by).visits.order_by("starts_at"))
    at_dawn.move_to(visits[1].starts_at)
    PlannedVisit.objects.filter(pk__in=[one.pk for one in visits]).update(
        state="started", state_at=visits[1].starts_at
    )
    plan = checked(made(by))
    assert {one.name for one in plan.visits.filter(state="started")} == {v.name for v in visits}


def test_a_locked_visit_that_was_missed_is_planned_again(by: Actor, at_dawn: Any) -> None:
    a_crew(by, "Ash")
    a_call(by, 1)
    visit = published(by).visits.get()
    visit = visit_lock(visit=visit, locked=True, version=visit.version, by=by)
    at_dawn.move_to(visit.starts_at + dt.timedelta(minutes=20))
    visit_move(visit=visit, to="missed", why="gate shut", version=visit.version, by=by)
    again = checked(made(by)).visits.get()
    assert (again.name, again.is_locked) == (visit.name, False)
    assert again.starts_at > visit.starts_at


def test_of_two_calls_alike_the_one_that_is_dry_longer_has_the_last_place(
    by: Actor, at_dawn: Any
) -> None:
    # Room for one visit alone; the older one is further off.
    short = [{"weekday": 0, "start": "07:30", "stop": "11:30"}]
    a_crew(by, "Ash", hours=short)
    older, newer = a_call(by, 3), a_call(by, 1)
    since = MONDAY - dt.timedelta(days=5)
    FaultCall.objects.filter(pk=older.pk).update(opened_at=since, last_event_at=since)
    plan = checked(made(by))
    assert [one.name for one in plan.visits.all()] == [f"call:{older.public_id}"]
    assert plan.answer["plan"]["left_out"] == [f"call:{newer.public_id}"]


def test_hours_so_far_add_ever_more_and_stay_below_a_lock() -> None:
    hours = [0.0, 1.0, 50.0, 5_000.0, 50_000.0]
    worth = [dry_so_far_value(one) for one in hours]
    assert worth == sorted(set(worth))
    assert (worth[0], worth[-1] < 2_400.0) == (0.0, True)


def test_minutes_left_of_a_trace_count_from_now(by: Actor, at_dawn: Any) -> None:
    a_crew(by, "Ash")
    call = a_call(by, 1)
    visit = published(by).visits.get()
    at_dawn.move_to(visit.starts_at)
    visit = begun(visit, by)
    trace = trace_start(call=FaultCall.objects.get(pk=call.pk), by=by)
    at_dawn.shift(dt.timedelta(minutes=70))
    name = visit.name

    def minutes() -> float:
        seen = day_problem(MONDAY.date(), 1, PlanOptions(), visit.plan).problem
        return next(one.minutes.p50 for one in seen.visits if one.name == name)

    trace.standing = {"remaining_minutes": {"p50": 10.0, "p90": 20.0}}
    trace.save()
    soon = minutes()
    at_dawn.shift(dt.timedelta(minutes=30))
    assert minutes() == soon + 30
    trace.standing = {"remaining_minutes": {"p50": 35.0, "p90": 40.0}}
    trace.save()
    assert minutes() == soon + 30 + 25


def test_a_soak_check_becomes_a_visit_while_the_gate_is_open(by: Actor) -> None:
    check = SoakCheck.objects.get(public_id=a_soak_check(by))
    call = check.repair.call
    Property.objects.filter(pk=call.property_id).update(lat=40.42, lon=-3.68)
    call_needs_set(call=call, wants=CallWants(access=AFTERNOON), version=0, by=by)
    with time_machine.travel(dt.datetime.combine(check.due_from, dt.time(4), dt.UTC), tick=False):
        a_crew(by, "Ash", hours=HOURS)
        plan = checked(made(by, from_day=check.due_from))
    visit = plan.visits.get(kind="soak")
    assert (visit.soak_check, visit.name) == (check, f"soak:{check.public_id}")
    (row,) = [v for v in plan.saw["problem"]["visits"] if v["name"] == visit.name]
    (span,) = row["access"]
    assert span["stop_min"] - span["start_min"] == 120
    start = int(visit.starts_at.timestamp() // 60)
    assert span["start_min"] <= start < span["stop_min"]


def test_an_inspection_heeds_the_hours_of_its_property(by: Actor) -> None:
    look = Inspection.objects.get(public_id=an_inspection(by))
    Property.objects.filter(pk=look.property_id).update(lat=40.42, lon=-3.68)
    # The failures that the flag rests on may have left one open.
    there = FaultCall.objects.filter(path=look.path, closed_at__isnull=True).first()
    call = there or call_open(where=Where.of_path(look.path), by=by)
    call_needs_set(call=call, wants=CallWants(access=AFTERNOON), version=0, by=by)
    Inspection.objects.filter(pk=look.pk).update(planned_week=MONDAY.date())
    with time_machine.travel(MONDAY, tick=False):
        seen = day_problem(MONDAY.date(), 1, PlanOptions()).problem
    (visit,) = [one for one in seen.visits if one.name == f"look:{look.public_id}"]
    assert [span.stop_min - span.start_min for span in visit.access] == [120]
