"""What a plan must respect, on one small day; each plan is looked at by the checker."""

from __future__ import annotations

import sys
from dataclasses import replace

import pytest

from faults.dispatch import solve as solving
from faults.dispatch.errors import DispatchError
from faults.dispatch.plan import Plan, compare
from faults.dispatch.problem import (
    Break,
    Crew,
    Interval,
    Locked,
    Minutes,
    Problem,
    Promise,
    Shift,
    Started,
    Visit,
    VisitKind,
    Weights,
)
from faults.dispatch.solve import Effort, solve
from tests.dispatch.checker import defects
from tests.dispatch.days import HOUR, NOW, SHIFT, UNTIL, crew, problem, span, visit
from tests.dispatch.invented import Size, invented_problem

EFFORT = Effort(iterations=200, rounds=60)


def planned(given: Problem, effort: Effort = EFFORT) -> Plan:
    plan = solve(given, effort)
    assert defects(given, plan) == []
    return plan


def start_of(plan: Plan, name: str) -> int:
    return plan.places_of_visits()[name][1].start_min


def crew_of(plan: Plan, name: str) -> str:
    return plan.places_of_visits()[name][0].crew


def test_one_visit_is_made_as_early_as_can_be() -> None:
    plan = planned(problem([crew("oak")], [visit("call", "far")]))
    (route,) = plan.routes
    assert (route.stops[0].start_min, route.stops[0].finish_min) == (500, 560)
    assert (route.drive_min, route.back_min) == (40, 580)
    assert plan.figures.cost == pytest.approx(40.0 + 0.02 * 100)


@pytest.mark.parametrize(
    ("needs", "has"),
    [
        ({"skills": frozenset({"splicing"})}, {"skills": frozenset({"splicing", "mains"})}),
        ({"tools": frozenset({"bridge"})}, {"tools": frozenset({"bridge"})}),
        ({"parts": {"decoder": 2}}, {"parts": {"decoder": 2}}),
        ({"people": 2}, {"people": 2}),
    ],
)
def test_only_a_crew_that_has_what_is_needed_comes(
    needs: dict[str, object], has: dict[str, object]
) -> None:
    plan = planned(problem([crew("oak"), crew("elm", **has)], [visit("call", **needs)]))
    assert crew_of(plan, "call") == "elm"
    plan = planned(problem([crew("oak")], [visit("call", **needs)]))
    assert plan.left_out == ("call",)


def test_parts_aboard_are_used_up() -> None:
    visits = [visit(f"call {n}", parts={"decoder": 2}) for n in range(3)]
    plan = planned(problem([crew("oak", parts={"decoder": 5})], visits))
    assert len(plan.left_out) == 1


def test_access_and_promised_windows_are_waited_for() -> None:
    visits = [
        visit("gate", access=(span(6, 7.5), span(10, 11))),
        visit("told", "west", promise=Promise(14 * HOUR, from_min=13 * HOUR)),
    ]
    plan = planned(problem([crew("oak")], visits))
    assert start_of(plan, "gate") == 10 * HOUR
    assert 13 * HOUR <= start_of(plan, "told") <= 14 * HOUR
    assert plan.figures.promises_kept == 1


def test_work_that_would_not_end_within_access_is_not_begun() -> None:
    plan = planned(problem([crew("oak")], [visit("gate", minutes=61, access=(span(10, 11),))]))
    assert plan.left_out == ("gate",)


def test_a_promise_is_kept_at_the_cost_of_driving_and_broken_rather_than_not_coming() -> None:
    visits = [visit("told", "far", promise=Promise(8 * HOUR + 30)), visit("near", "north")]
    assert start_of(planned(problem([crew("oak")], visits)), "told") == 8 * HOUR + 20
    late = problem([crew("oak")], [visit("told", "far", promise=Promise(8 * HOUR))])
    plan = planned(late)
    assert plan.figures.promises_broken == 1
    assert plan.figures.cost == pytest.approx(40 + 0.02 * 100 + 240 + 30 * 20 / 60)


def test_more_dry_stations_come_first_and_minutes_are_kept_free_by_the_margin() -> None:
    visits = [visit("few", "far", stations_dry=1), visit("many", "west", stations_dry=30)]
    plan = planned(problem([crew("oak")], visits))
    assert start_of(plan, "many") < start_of(plan, "few")
    spread = replace(visit("call"), minutes=Minutes(60, 120))
    plan = planned(problem([crew("oak")], [spread], margin=0.5))
    stop = plan.routes[0].stops[0]
    assert stop.finish_min - stop.start_min == 90


def test_the_break_is_taken_in_its_time_and_not_within_work() -> None:
    visits = [visit(f"call {n}", minutes=110) for n in range(4)]
    plan = planned(problem([crew("oak")], visits))
    (rest,) = plan.routes[0].rests
    assert 11.5 * HOUR <= rest.start_min <= 13 * HOUR
    assert len(plan.left_out) == 1
    # A job across the whole time in which a break may begin leaves no time for it.
    across = visit("long", minutes=200, access=(Interval(650, 860),))
    assert planned(problem([crew("oak")], [across])).left_out == ("long",)


def test_optional_visits_are_fitted_in_where_they_pay() -> None:
    checks = [
        visit("near", "north", 20, value=25.0, kind=VisitKind.SOAK_CHECK),
        visit("off", "west", 20, value=15.0, kind=VisitKind.INSPECTION),
    ]
    plan = planned(problem([crew("oak")], [visit("call", "far"), *checks]))
    assert plan.left_out == ("off",)


def test_locked_visits_stay_even_where_another_crew_would_be_better() -> None:
    visits = [visit("call", "north"), visit("other", "west")]
    given = problem(
        [crew("oak"), crew("elm", base="far")],
        visits,
        locked=(Locked("call", "oak", 10 * HOUR), Locked("other", "elm")),
    )
    plan = planned(given)
    assert crew_of(plan, "call") == "oak"
    assert start_of(plan, "call") == 10 * HOUR
    assert crew_of(plan, "other") == "elm"


def test_a_lock_that_cannot_be_kept_leaves_the_visit_out_and_the_rest_planned() -> None:
    given = problem(
        [crew("oak")],
        [visit("one"), visit("two", "west"), visit("three")],
        locked=(Locked("one", "oak", 600), Locked("two", "oak", 600)),
    )
    plan = planned(given)
    assert len(plan.left_out) == 1
    assert "three" not in plan.left_out


def test_a_started_visit_stays_and_the_crew_goes_on_from_there() -> None:
    given = problem(
        [crew("oak", position="west")],
        [visit("begun", "far"), visit("next", "north")],
        now_min=9 * HOUR,
        started=(Started("begun", "oak", 8 * HOUR + 30),),
    )
    plan = planned(given)
    first, second = plan.routes[0].stops
    assert (first.visit, first.started, first.finish_min) == ("begun", True, 9 * HOUR + 30)
    assert second.start_min == 9 * HOUR + 40


def test_a_started_visit_that_outlasts_the_shift_leaves_no_more_work_in_it() -> None:
    given = problem(
        [crew("oak")],
        [visit("begun", "far", 600), visit("next", "north")],
        now_min=9 * HOUR,
        started=(Started("begun", "oak", 8 * HOUR + 30),),
    )
    assert planned(given).left_out == ("next",)


def test_a_shift_under_way_begins_where_the_crew_is_and_not_before_now() -> None:
    given = problem([crew("oak", position="far")], [visit("call", "far")], now_min=9 * HOUR)
    assert planned(given).routes[0].stops[0].start_min == 9 * HOUR
    idle = problem([crew("oak", position="far")], [], now_min=9 * HOUR)
    assert planned(idle).figures.drive_min == 20


def test_the_nearer_day_is_filled_first_and_overnight_shifts_hold() -> None:
    night = Shift(22 * HOUR, 30 * HOUR)
    given = problem(
        [crew("oak", shifts=(SHIFT, night))],
        [visit("day", stations_dry=5), visit("night", access=(span(25, 27),))],
        until_min=32 * HOUR,
    )
    plan = planned(given)
    assert start_of(plan, "day") == 8 * HOUR + 10
    assert plan.places_of_visits()["night"][0].shift == 1


@pytest.mark.parametrize("effort", [EFFORT, Effort(0, 0), Effort(0, 50)])
def test_days_without_crews_without_visits_and_without_either(effort: Effort) -> None:
    assert planned(problem([], [visit("call")]), effort).left_out == ("call",)
    assert planned(problem([crew("oak")], []), effort).routes == ()
    assert planned(problem([], []), effort).figures.cost == 0.0
    assert planned(problem([crew("oak", shifts=())], [visit("call")]), effort).left_out == ("call",)


@pytest.mark.slow
def test_the_same_effort_gives_the_same_plan_and_no_clock_is_asked() -> None:
    given = invented_problem(3, Size(40, 5))
    assert planned(given) == planned(given)
    assert planned(given, replace(EFFORT, seed=2)).figures.cost > 0.0


@pytest.mark.parametrize("error", [RuntimeError("no"), ValueError("bad"), ImportError("gone")])
def test_a_library_that_fails_leaves_a_plan_all_the_same(
    monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    def fails(*_: object) -> None:
        raise error

    monkeypatch.setattr(solving, "routed", fails)
    given = invented_problem(4, Size(30, 4))
    plan = planned(given, Effort(iterations=100, rounds=0))
    assert plan.method == "greedy"
    assert plan.figures.visits_planned > 10


def test_a_library_that_is_not_there_leaves_a_plan_all_the_same(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "pyvrp", None)
    plan = planned(invented_problem(4, Size(30, 4)), Effort(iterations=100, rounds=0))
    assert plan.method == "greedy"


def test_no_time_at_all_gives_the_greedy_plan() -> None:
    plan = planned(invented_problem(4, Size(30, 4)), Effort(stop=lambda: True))
    assert plan.method == "greedy"


def test_more_effort_is_no_worse_than_greedy() -> None:
    given = invented_problem(5, Size(40, 5, days=2))
    greedy, searched = planned(given, Effort(0, 0)), planned(given)
    assert searched.figures.cost < greedy.figures.cost
    change = {figure.name: figure for figure in compare(greedy, searched)}
    assert change["cost"].change == searched.figures.cost - greedy.figures.cost


@pytest.mark.parametrize(
    ("made", "told"),
    [
        (lambda: problem([crew("a"), crew("a")], []), "crew a is given twice"),
        (lambda: problem([], [visit("v"), visit("v")]), "visit v is given twice"),
        (lambda: problem([], [visit("v", "moon")]), "without travel times: moon"),
        (lambda: problem([], [], until_min=NOW), "after now_min"),
        (lambda: problem([], [], margin=1.5), "not 1.5"),
        (lambda: problem([], [], locked=(Locked("v", "a"),)), "no such visit or crew"),
        (
            lambda: problem([crew("a")], [visit("v")], started=(Started("v", "a", UNTIL),)),
            "starts after now",
        ),
        (
            lambda: problem([crew("a")], [visit("v")], started=(Started("v", "a", 0),)),
            "outside the shifts",
        ),
        (lambda: Interval(5, 5), "ends before it starts"),
        (lambda: Shift(5, 4), "ends before it starts"),
        (lambda: Shift(0, 100, (Break(200, 210, 5),)), "outside of it"),
        (lambda: Shift(0, 100, (Break(50, 60, 5), Break(10, 20, 5))), "in order"),
        (lambda: Break(10, 5, 5), "earliest <= latest"),
        (lambda: Crew("a", "base", (Shift(0, 10), Shift(5, 20))), "overlap"),
        (lambda: Minutes(10, 5), "P50 <= P90"),
        (lambda: Promise(5, from_min=6), "begins after it ends"),
        (lambda: visit("v", value=-1.0), "at least 0"),
        (lambda: Visit("v", "p", Minutes(1, 1), parts={"x": -1}), "below 0"),
        (lambda: Weights(drive_minute=-1.0), "drive_minute"),
        (lambda: Effort(iterations=-1), "at least 0"),
    ],
)
def test_what_makes_no_sense_is_refused_by_name(made: object, told: str) -> None:
    with pytest.raises(DispatchError, match=told):
        made()  # type: ignore[operator]
