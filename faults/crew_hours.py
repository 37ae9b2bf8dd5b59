"""Weekly hours as documents: ``{"weekday": 0, "start": "07:00", "stop": "15:30"}`` and breaks.

Monday is 0; a stop that is not after the start is on the next day. A break is
``{"earliest": "11:30", "latest": "13:00", "minutes": 30}``.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from typing import Any

from core.problems import Defect
from faults.dispatch.errors import DispatchError
from faults.dispatch.shifts import LocalBreak, WeeklyHours, shifts_of

Document = dict[str, Any]

MOST_HOURS = 50
_A_WEEK = [dt.date(2024, 1, 1) + dt.timedelta(days=n) for n in range(8)]


def read_hours(rows: Sequence[Document]) -> list[WeeklyHours]:
    """The hours of rows of the right shape."""
    return [
        WeeklyHours(
            weekday=row["weekday"],
            start=dt.time.fromisoformat(row["start"]),
            stop=dt.time.fromisoformat(row["stop"]),
            breaks=tuple(
                LocalBreak(
                    dt.time.fromisoformat(rest["earliest"]),
                    dt.time.fromisoformat(rest["latest"]),
                    rest["minutes"],
                )
                for rest in row.get("breaks", [])
            ),
        )
        for row in rows
    ]


def hours_defects(pointer: str, rows: Sequence[Document]) -> Iterator[Defect]:
    """What does not fit of weekly hours: clock times, weekdays, overlaps, breaks outside."""
    if len(rows) > MOST_HOURS:
        yield Defect(pointer, f"there are {len(rows)}", f"at most {MOST_HOURS}")
        return
    read = []
    for number, row in enumerate(rows):
        try:
            read += read_hours([row])
        except (DispatchError, ValueError, KeyError, TypeError):
            right = 'a weekday from 0 (Monday) to 6, and "start" and "stop" as HH:MM'
            yield Defect(f"{pointer}/{number}", "these hours cannot be read", right)
    if len(read) == len(rows):
        try:
            shifts_of(read, _A_WEEK, dt.UTC)
        except DispatchError as wrong:
            yield Defect(pointer, str(wrong), "hours that do not overlap, breaks within them")
