"""One small day that tests change: two crews, five calls, distances in whole minutes.

    base --10-- north --10-- far          all legs along the line; west is 10 from the base
     |
    west

Minutes count from midnight; the crews work from 8 to 16, a break of 30 from 11:30 to 13:00.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from faults.dispatch.problem import Break, Crew, Interval, Minutes, Problem, Shift, Visit
from faults.dispatch.travel import Travel

HOUR = 60
PLACES = ("base", "north", "far", "west")
LEGS = [[0, 10, 20, 10], [10, 0, 10, 20], [20, 10, 0, 30], [10, 20, 30, 0]]
BREAK = Break(11 * HOUR + 30, 13 * HOUR, 30)
SHIFT = Shift(8 * HOUR, 16 * HOUR, (BREAK,))
NOW, UNTIL = 7 * HOUR, 20 * HOUR


def crew(name: str, **changes: Any) -> Crew:
    return replace(Crew(name, "base", (SHIFT,)), **changes)


def visit(name: str, place: str = "north", minutes: float = 60.0, **changes: Any) -> Visit:
    return replace(Visit(name, place, Minutes(minutes, minutes)), **changes)


def problem(crews: list[Crew], visits: list[Visit], **changes: Any) -> Problem:
    travel = Travel.given(PLACES, LEGS)
    return replace(Problem(NOW, UNTIL, tuple(crews), tuple(visits), travel), **changes)


def span(start_hour: float, stop_hour: float) -> Interval:
    return Interval(int(start_hour * HOUR), int(stop_hour * HOUR))
