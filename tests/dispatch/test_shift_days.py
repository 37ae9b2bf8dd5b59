"""Plans over shifts of days on which clocks change, and over days with nothing in them."""

from __future__ import annotations

from datetime import date, time
from zoneinfo import ZoneInfo

import pytest

from faults.dispatch.problem import Crew, Minutes, Problem, Visit
from faults.dispatch.reasons import reasons_left_out
from faults.dispatch.shifts import LocalBreak, WeeklyHours, access_of, moment_of, shifts_of
from faults.dispatch.solve import Effort, solve
from faults.dispatch.travel import Travel
from tests.dispatch.checker import defects

NEW_YORK = ZoneInfo("America/New_York")
TRAVEL = Travel.given(["base", "site"], [[0, 10], [10, 0]])


def night(day: date, visits: int) -> Problem:
    """A crew from 22 to 6 and work of an hour each, with access by night alone."""
    rest = LocalBreak(time(0, 30), time(4), 30)
    hours = [WeeklyHours(day.weekday(), time(22), time(6), (rest,))]
    access = access_of([WeeklyHours(day.weekday(), time(21), time(7))], [day], NEW_YORK)
    shifts = shifts_of(hours, [day], NEW_YORK)
    made = tuple(Visit(f"call {n}", "site", Minutes(60, 60), access=access) for n in range(visits))
    crew = Crew("owl", "base", shifts)
    return Problem(shifts[0].start_min - 60, shifts[0].stop_min + 60, (crew,), made, TRAVEL)


@pytest.mark.parametrize(
    ("day", "most"),
    [
        (date(2025, 6, 7), 7),  # 8 hours less 30 minutes of rest and 20 of driving
        (date(2025, 3, 8), 6),  # clocks go forward: 7 hours
        (date(2025, 11, 1), 8),  # clocks go back: 9 hours
    ],
)
def test_a_night_holds_as_many_visits_as_it_has_hours(day: date, most: int) -> None:
    given = night(day, most + 2)
    plan = solve(given, Effort(iterations=100, rounds=60))
    assert defects(given, plan) == []
    assert plan.figures.visits_planned == most
    last = max(plan.routes[0].stops, key=lambda stop: stop.finish_min)
    assert moment_of(last.finish_min, NEW_YORK).time() <= time(5, 50)


def test_a_sunday_without_shifts_leaves_all_out_and_says_why() -> None:
    base = night(date(2025, 6, 7), 3)
    off = shifts_of([], [date(2025, 6, 8)], NEW_YORK)
    given = Problem(base.now_min, base.until_min, (Crew("owl", "base", off),), base.visits, TRAVEL)
    plan = solve(given, Effort(iterations=100, rounds=60))
    assert plan.routes == ()
    assert {reason.text for reason in reasons_left_out(given, plan)} == {
        "No crew can do it. owl has no shift in the time of this plan."
    }
