"""The only place that reads the time; tests move it with a time library."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

FIRST_DAY, LAST_DAY = dt.date(1900, 1, 1), dt.date(2199, 12, 31)
"""Days that anything told to us can have: near the ends of the calendar no zone can be reckoned."""

_told: ContextVar[dt.datetime | None] = ContextVar("told_time", default=None)


def now() -> dt.datetime:
    """The present, in UTC; within :func:`as_of`, the moment given there."""
    return _told.get() or dt.datetime.now(dt.UTC)


def is_ordinary(moment: dt.date) -> bool:
    """Whether a day or a moment lies where days and zones can be reckoned with."""
    day = moment.date() if isinstance(moment, dt.datetime) else moment
    return FIRST_DAY <= day <= LAST_DAY


@contextmanager
def as_of(moment: dt.datetime) -> Iterator[None]:
    """Let this be the present, for rows of things that happened before they are written down:
    invented histories, and records taken over from elsewhere.

    It holds for the code that runs within and in no other thread. Time stands still there; within
    another ``as_of`` the inner one counts. Raises ValueError for a moment without a time zone and
    for one that is still to come.
    """
    if moment.tzinfo is None:
        raise ValueError("a moment needs a time zone")
    if moment > dt.datetime.now(dt.UTC):
        raise ValueError(f"{moment.isoformat()} is still to come")
    token = _told.set(moment.astimezone(dt.UTC))
    try:
        yield
    finally:
        _told.reset(token)
