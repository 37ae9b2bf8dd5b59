"""Chances of a plan's times against what can be worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from faults.dispatch.errors import DispatchError
from faults.dispatch.problem import Minutes, Promise
from faults.dispatch.risk import drawn_minutes, risks_of
from faults.dispatch.solve import Effort, solve
from tests.dispatch.days import HOUR, crew, problem, span, visit

EFFORT = Effort(iterations=100, rounds=60)
BARE = {"shifts": (replace(crew("x").shifts[0], breaks=()),)}


def test_drawn_minutes_have_the_p50_and_p90_they_were_given() -> None:
    drawn = drawn_minutes(Minutes(40.0, 90.0), 20_000, np.random.default_rng(1))
    assert np.mean(drawn <= 40.0) == pytest.approx(0.5, abs=0.015)
    assert np.mean(drawn <= 90.0) == pytest.approx(0.9, abs=0.01)
    assert set(drawn_minutes(Minutes(40.0, 40.0), 5, np.random.default_rng(1))) == {40.0}


def test_the_chance_of_a_promise_is_that_of_the_work_before_it() -> None:
    first = replace(visit("first", "north", stations_dry=50), minutes=Minutes(60.0, 120.0))
    then = visit("then", "north", promise=Promise(10 * HOUR))
    given = problem([crew("oak", **BARE)], [first, then])
    (route,) = risks_of(given, solve(given, EFFORT), draws=20_000)
    # The first starts at 8:10; the promise is kept if it takes at most 110 minutes.
    exact = norm.cdf(np.log(110 / 60) / np.log(2.0) * norm.ppf(0.9))
    assert [stop.visit for stop in route.stops] == ["first", "then"]
    assert route.stops[1].chance_kept == pytest.approx(exact, abs=0.01)
    assert route.stops[1].start_p90_min == pytest.approx(8 * HOUR + 10 + 120, abs=3)
    assert route.stops[0].chance_kept == 1.0


def test_without_spread_the_plan_s_own_times_come_out() -> None:
    visits = [
        visit("a", "north", access=(span(6, 7.5), span(9, 10))),
        visit("b", "far", promise=Promise(15 * HOUR, from_min=14 * HOUR)),
        visit("c", "west", minutes=100),
    ]
    given = problem([crew("oak")], visits)
    plan = solve(given, EFFORT)
    (route,) = risks_of(given, plan, draws=3)
    planned = {stop.visit: stop.start_min for stop in plan.routes[0].stops}
    assert {stop.visit: stop.start_p50_min for stop in route.stops} == planned
    assert route.chance_home_in_time == 1.0


def test_the_same_seed_gives_the_same_risks_and_no_draws_are_refused() -> None:
    given = problem([crew("oak")], [replace(visit("a"), minutes=Minutes(30, 90))])
    plan = solve(given, EFFORT)
    assert risks_of(given, plan, seed=4) == risks_of(given, plan, seed=4)
    with pytest.raises(DispatchError, match="at least 1, not 0"):
        risks_of(given, plan, draws=0)
