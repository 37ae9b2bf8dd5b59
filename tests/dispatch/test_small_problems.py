"""Small problems against trying everything."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from faults.dispatch import solve as solving
from faults.dispatch.problem import (
    Break,
    Crew,
    Interval,
    Minutes,
    Problem,
    Promise,
    Shift,
    Visit,
    Weights,
)
from faults.dispatch.solve import Effort, solve
from faults.dispatch.travel import Travel
from tests.dispatch.brute import least_cost
from tests.dispatch.checker import defects
from tests.dispatch.invented import Size, invented_problem

NOW, UNTIL = 1000, 1360
EFFORT = Effort(iterations=300, rounds=800)


@st.composite
def visits(draw: st.DrawFn, number: int) -> Visit:
    low = draw(st.integers(NOW, NOW + 200))
    access = draw(
        st.sampled_from(
            [
                (),
                (Interval(low, low + 110),),
                (Interval(NOW, NOW + 70), Interval(low + 80, low + 160)),
            ]
        )
    )
    by = draw(st.none() | st.integers(NOW, UNTIL))
    p50 = draw(st.integers(5, 50))
    return Visit(
        name=f"v{number}",
        place=f"p{number}",
        minutes=Minutes(p50, p50 + draw(st.integers(0, 30))),
        access=access,
        promise=None if by is None else Promise(by),
        earliest_min=draw(st.none() | st.integers(NOW, NOW + 100)),
        stations_dry=draw(st.sampled_from([0, 0, 3, 20])),
        value=draw(st.sampled_from([15.0, 60.0, 480.0])),
        skills=draw(st.sampled_from([frozenset(), frozenset({"splicing"})])),
        parts=draw(st.sampled_from([{}, {"decoder": 1}])),
    )


@st.composite
def problems(draw: st.DrawFn, most_visits: int = 6) -> Problem:
    count = draw(st.integers(1, most_visits))
    crews = []
    for number in range(draw(st.integers(1, 2))):
        start = NOW + draw(st.integers(-60, 60))
        earliest = start + draw(st.integers(60, 120))
        rest = Break(earliest, earliest + draw(st.integers(0, 60)), 20)
        crews.append(
            Crew(
                name=f"c{number}",
                base=f"b{number}",
                shifts=(Shift(start, start + 300, (rest,) if draw(st.booleans()) else ()),),
                skills=draw(st.sampled_from([frozenset(), frozenset({"splicing"})])),
                parts={"decoder": draw(st.integers(0, 3))},
            )
        )
    names = ["b0", "b1", *(f"p{number}" for number in range(count))]
    spots = [(draw(st.integers(0, 40)), draw(st.integers(0, 40))) for _ in names]
    legs = [[abs(a - c) + abs(b - d) for c, d in spots] for a, b in spots]
    return Problem(
        NOW,
        UNTIL,
        tuple(crews),
        tuple(draw(visits(number)) for number in range(count)),
        Travel.given(names, legs),
        weights=Weights(broken_promise=90.0),
    )


@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
@given(problems(most_visits=4))
def test_a_small_plan_costs_what_the_best_there_is_does(problem: Problem) -> None:
    plan = solve(problem, EFFORT)
    assert defects(problem, plan) == []
    assert plan.figures.cost == pytest.approx(least_cost(problem), abs=1e-5)


@pytest.mark.slow
@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(problems(most_visits=6))
def test_a_plan_of_six_visits_costs_what_the_best_there_is_does(problem: Problem) -> None:
    plan = solve(problem, EFFORT)
    assert defects(problem, plan) == []
    assert plan.figures.cost == pytest.approx(least_cost(problem), abs=1e-5)


@pytest.mark.slow
def test_the_search_of_larger_problems_finds_the_best_of_small_ones(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(solving, "is_small", lambda _: False)
    over = []
    for seed in range(12):
        given = invented_problem(seed, Size(6, 2))
        plan = solve(given, EFFORT)
        assert plan.method == "search"
        assert defects(given, plan) == []
        over.append(plan.figures.cost - least_cost(given))
    assert min(over) > -1e-5
    assert sum(one < 1e-5 for one in over) >= 11
    assert max(over) < 10.0


@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
@given(problems(most_visits=4))
def test_the_plan_without_a_library_is_never_better_than_the_best(problem: Problem) -> None:
    greedy = solve(problem, Effort(iterations=0, rounds=0))
    assert defects(problem, greedy) == []
    assert greedy.figures.cost >= least_cost(problem) - 1e-5


@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
@given(problems(most_visits=4))
def test_one_more_crew_never_costs_more(problem: Problem) -> None:
    extra = replace(problem.crews[0], name="extra")
    more = replace(problem, crews=(*problem.crews, extra))
    assert solve(more, EFFORT).figures.cost <= solve(problem, EFFORT).figures.cost + 1e-5


@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
@given(problems(most_visits=4), st.integers(1, 30_000_000))
def test_a_plan_does_not_hang_on_where_minutes_are_counted_from(
    problem: Problem, shift_min: int
) -> None:
    moved = moved_by(problem, shift_min)
    assert solve(moved, EFFORT).figures.cost == pytest.approx(solve(problem, EFFORT).figures.cost)


def moved_by(problem: Problem, by: int) -> Problem:
    def crew(one: Crew) -> Crew:
        shift = one.shifts[0]
        rests = [Break(r.earliest_min + by, r.latest_min + by, r.minutes) for r in shift.breaks]
        return replace(
            one, shifts=(Shift(shift.start_min + by, shift.stop_min + by, tuple(rests)),)
        )

    def visit(one: Visit) -> Visit:
        return replace(
            one,
            access=tuple(Interval(s.start_min + by, s.stop_min + by) for s in one.access),
            promise=Promise(one.promise.by_min + by) if one.promise else None,
            earliest_min=None if one.earliest_min is None else one.earliest_min + by,
        )

    return replace(
        problem,
        now_min=problem.now_min + by,
        until_min=problem.until_min + by,
        crews=tuple(crew(one) for one in problem.crews),
        visits=tuple(visit(one) for one in problem.visits),
    )
