"""Local clock times as absolute minutes, right on the days on which clocks change.

A clock time that comes twice (clocks set back) is the first of the two, unless it carries
``fold=1``; one that does not come at all (clocks set forward) is the moment of the jump, so that
an interval never turns over. Minutes count from 1970-01-01 00:00 UTC.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from itertools import pairwise

from faults.dispatch.errors import DispatchError
from faults.dispatch.problem import Break, Interval, Shift

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def minute_of(moment: datetime) -> int:
    """The absolute minute in which an aware moment lies. Raises DispatchError for a naive one."""
    if moment.tzinfo is None:
        raise DispatchError(f"{moment.isoformat()}: expected a time with its zone")
    return (moment - EPOCH) // MINUTE


def moment_of(minute: int, zone: tzinfo) -> datetime:
    """The local moment at an absolute minute."""
    return (EPOCH + minute * MINUTE).astimezone(zone)


def local_minute(day: date, clock: time, zone: tzinfo) -> int:
    """The absolute minute of a local clock time on a day."""
    wall = datetime.combine(day, clock.replace(tzinfo=None), tzinfo=zone)
    minute = minute_of(wall.astimezone(UTC))
    if moment_of(minute, zone).replace(tzinfo=None, fold=0) == wall.replace(tzinfo=None, fold=0):
        return minute
    return _jump_near(minute, zone)


def _jump_near(minute: int, zone: tzinfo) -> int:
    """The minute at which clocks jump forward next to one whose clock time does not come."""
    low, high = minute - 24 * 60, minute + 24 * 60
    before = moment_of(low, zone).utcoffset()
    while high - low > 1:
        middle = (low + high) // 2
        if moment_of(middle, zone).utcoffset() == before:
            low = middle
        else:
            high = middle
    return high


@dataclass(frozen=True, slots=True)
class LocalBreak:
    """A rest that begins between two clock times."""

    earliest: time
    latest: time
    minutes: int


@dataclass(frozen=True, slots=True)
class WeeklyHours:
    """Hours on one weekday (Monday is 0); a stop not after the start is on the next day."""

    weekday: int
    start: time
    stop: time
    breaks: tuple[LocalBreak, ...] = ()

    def __post_init__(self) -> None:
        if not 0 <= self.weekday <= 6:
            raise DispatchError(f"weekday: expected 0 to 6, not {self.weekday}")


def shifts_of(
    hours: Sequence[WeeklyHours],
    days: Iterable[date],
    zone: tzinfo,
    *,
    off: frozenset[date] = frozenset(),
) -> tuple[Shift, ...]:
    """Shifts on the given days but those off, in order; a shift lost in a jump is left out.

    Raises DispatchError where shifts overlap.
    """
    made = [
        Shift(start, stop, tuple(_breaks_of(rule, day, (start, stop), zone)))
        for day, rule in _on_days(hours, days, off)
        for start, stop in [_ends_of(rule, day, zone)]
        if start < stop
    ]
    made.sort(key=lambda shift: shift.start_min)
    for one, other in pairwise(made):
        if other.start_min < one.stop_min:
            raise DispatchError(f"shifts overlap at {moment_of(other.start_min, zone).isoformat()}")
    return tuple(made)


def access_of(
    hours: Sequence[WeeklyHours],
    days: Iterable[date],
    zone: tzinfo,
    *,
    off: frozenset[date] = frozenset(),
) -> tuple[Interval, ...]:
    """Access hours of a property on the given days, joined where they touch or overlap."""
    spans = [_ends_of(rule, day, zone) for day, rule in _on_days(hours, days, off)]
    joined: list[tuple[int, int]] = []
    for start, stop in sorted(span for span in spans if span[0] < span[1]):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(stop, joined[-1][1]))
        else:
            joined.append((start, stop))
    return tuple(Interval(start, stop) for start, stop in joined)


def _on_days(
    hours: Sequence[WeeklyHours], days: Iterable[date], off: frozenset[date]
) -> Iterator[tuple[date, WeeklyHours]]:
    for day in days:
        if day not in off:
            yield from ((day, rule) for rule in hours if rule.weekday == day.weekday())


def _ends_of(rule: WeeklyHours, day: date, zone: tzinfo) -> tuple[int, int]:
    last = day if _clock(rule.stop) > _clock(rule.start) else day + timedelta(days=1)
    start = local_minute(day, rule.start, zone)
    stop = local_minute(last, rule.stop, zone)
    if stop < start:
        # The start is the second of two, the stop the first: the second is meant.
        stop = local_minute(last, rule.stop.replace(fold=1), zone)
    return start, stop


def _breaks_of(
    rule: WeeklyHours, day: date, ends: tuple[int, int], zone: tzinfo
) -> Iterator[Break]:
    found = []
    for rest in rule.breaks:
        after = timedelta(days=_clock(rest.earliest) < _clock(rule.start))
        earliest = local_minute(day + after, rest.earliest, zone)
        over = timedelta(days=_clock(rest.latest) < _clock(rest.earliest))
        latest = local_minute(day + after + over, rest.latest, zone)
        if not ends[0] <= earliest < ends[1]:
            at = moment_of(earliest, zone).isoformat()
            raise DispatchError(f"a break at {at} lies outside its shift")
        found.append(Break(earliest, max(earliest, latest), rest.minutes))
    return iter(sorted(found))


def _clock(clock: time) -> tuple[time, int]:
    """A clock time in order of the day, the second coming after the first."""
    return clock.replace(fold=0, tzinfo=None), clock.fold
