"""Local hours as absolute minutes on ordinary days and on days on which clocks change."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from faults.dispatch.errors import DispatchError
from faults.dispatch.problem import Interval
from faults.dispatch.shifts import (
    LocalBreak,
    WeeklyHours,
    access_of,
    local_minute,
    minute_of,
    moment_of,
    shifts_of,
)

NEW_YORK = ZoneInfo("America/New_York")
FORWARD, BACK = date(2025, 3, 9), date(2025, 11, 2)
SUNDAY = 6


def utc(*parts: int) -> int:
    return minute_of(datetime(*parts, tzinfo=UTC))  # type: ignore[arg-type, misc]


def hours(start: time, stop: time, *breaks: LocalBreak, weekday: int = SUNDAY) -> WeeklyHours:
    return WeeklyHours(weekday, start, stop, breaks)


@pytest.mark.parametrize(
    ("day", "clock", "expected"),
    [
        # RFC 5545's daily example: nine o'clock in New York as clocks go back.
        (date(1997, 10, 25), time(9), utc(1997, 10, 25, 13)),
        (date(1997, 10, 26), time(9), utc(1997, 10, 26, 14)),
        (date(1997, 10, 27), time(9), utc(1997, 10, 27, 14)),
        (BACK, time(1, 30), utc(2025, 11, 2, 5, 30)),
        (BACK, time(1, 30, fold=1), utc(2025, 11, 2, 6, 30)),
        (FORWARD, time(1, 59), utc(2025, 3, 9, 6, 59)),
        (FORWARD, time(2, 0), utc(2025, 3, 9, 7)),
        (FORWARD, time(2, 30), utc(2025, 3, 9, 7)),
        (FORWARD, time(2, 30, fold=1), utc(2025, 3, 9, 7)),
        (FORWARD, time(3, 0), utc(2025, 3, 9, 7)),
        (FORWARD, time(3, 1), utc(2025, 3, 9, 7, 1)),
    ],
)
def test_a_clock_time_is_the_right_minute(day: date, clock: time, expected: int) -> None:
    assert local_minute(day, clock, NEW_YORK) == expected


def test_half_an_hour_s_change_and_the_southern_half_of_the_year() -> None:
    howe = ZoneInfo("Australia/Lord_Howe")
    assert local_minute(date(2025, 10, 5), time(2, 15), howe) == utc(2025, 10, 4, 15, 30)
    one, other = (local_minute(date(2025, 4, 6), time(1, 45, fold=f), howe) for f in (0, 1))
    assert other - one == 30


@pytest.mark.parametrize(
    ("day", "start", "stop", "hours_long"),
    [
        (date(2025, 3, 2), time(7), time(16), 9),
        (date(2025, 3, 2), time(22), time(6), 8),
        (FORWARD, time(0), time(0), 23),
        (BACK, time(0), time(0), 25),
        (date(2025, 3, 2), time(0), time(0), 24),
        (date(2025, 3, 8), time(22), time(6), 7),
        (date(2025, 11, 1), time(22), time(6), 9),
        (date(2025, 11, 1), time(22), time(1, 30), 3.5),
        (date(2025, 11, 1), time(22), time(1, 30, fold=1), 4.5),
        (BACK, time(1, 30), time(1, 30, fold=1), 1),
        (BACK, time(1, 30, fold=1), time(1, 45), 0.25),
        (FORWARD, time(2, 30), time(3, 15), 0.25),
    ],
)
def test_a_shift_is_as_long_as_it_is(day: date, start: time, stop: time, hours_long: float) -> None:
    rule = hours(start, stop, weekday=day.weekday())
    (shift,) = shifts_of([rule], [day], NEW_YORK)
    assert shift.stop_min - shift.start_min == 60 * hours_long


def test_a_shift_that_falls_into_the_jump_is_left_out() -> None:
    assert shifts_of([hours(time(2), time(3))], [FORWARD], NEW_YORK) == ()
    assert access_of([hours(time(2, 10), time(2, 50))], [FORWARD], NEW_YORK) == ()


def test_days_off_other_weekdays_and_no_days_give_no_shifts() -> None:
    rule = hours(time(7), time(16))
    assert shifts_of([rule], [BACK], NEW_YORK, off=frozenset({BACK})) == ()
    assert shifts_of([rule], [BACK + timedelta(days=1)], NEW_YORK) == ()
    assert shifts_of([rule], [], NEW_YORK) == ()
    assert shifts_of([], [BACK], NEW_YORK) == ()


def test_a_break_after_midnight_belongs_to_the_night_shift() -> None:
    rule = hours(time(22), time(6), LocalBreak(time(23, 30), time(2), 30))
    (shift,) = shifts_of([rule], [date(2025, 6, 1)], NEW_YORK)
    (rest,) = shift.breaks
    assert rest.earliest_min - shift.start_min == 90
    assert rest.latest_min - rest.earliest_min == 150
    late = hours(time(22), time(6), LocalBreak(time(1), time(2), 30))
    (shift,) = shifts_of([late], [date(2025, 6, 1)], NEW_YORK)
    assert shift.breaks[0].earliest_min - shift.start_min == 180


def test_what_makes_no_sense_is_refused_by_name() -> None:
    with pytest.raises(DispatchError, match="overlap at 2025-11-02T12:00"):
        shifts_of([hours(time(7), time(13)), hours(time(12), time(15))], [BACK], NEW_YORK)
    rule = hours(time(7), time(12), LocalBreak(time(13), time(14), 30))
    with pytest.raises(DispatchError, match="outside its shift"):
        shifts_of([rule], [BACK], NEW_YORK)
    with pytest.raises(DispatchError, match="0 to 6, not 7"):
        hours(time(7), time(8), weekday=7)
    with pytest.raises(DispatchError, match="with its zone"):
        minute_of(datetime(2025, 1, 1))  # noqa: DTZ001 - that it is refused is the point


def test_access_hours_that_touch_become_one() -> None:
    rules = [hours(time(12), time(17)), hours(time(7), time(12)), hours(time(20), time(21))]
    first, second = access_of(rules, [date(2025, 6, 1)], NEW_YORK)
    assert first.stop_min - first.start_min == 600
    assert second == Interval(first.stop_min + 180, first.stop_min + 240)


@given(
    st.dates(date(2000, 1, 1), date(2037, 12, 30)),
    st.times(),
    st.sampled_from(["America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "Pacific/Apia"]),
)
def test_a_minute_told_as_local_time_is_that_minute(day: date, clock: time, zone: str) -> None:
    where, at = ZoneInfo(zone), clock.replace(second=0, microsecond=0)
    minute = local_minute(day, at, where)
    wall = moment_of(minute, where)
    assert minute_of(wall) == minute
    if (wall.date(), wall.time().replace(fold=0)) != (day, at):
        # The clock time does not come: the minute is the first after the jump.
        before = moment_of(minute - 1, where)
        assert before.replace(tzinfo=None) < datetime.combine(day, at) < wall.replace(tzinfo=None)
