"""Invented days: a town of 40 km, crews of several sorts, calls, soak checks and inspections."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from faults.dispatch.problem import (
    Break,
    Crew,
    Interval,
    Minutes,
    Problem,
    Promise,
    Shift,
    Visit,
    VisitKind,
)
from faults.dispatch.travel import Place, great_circle_travel

HOUR = 60
DAY = 24 * HOUR
SKILLS = ("splicing", "controllers", "mains")
TOOLS = ("trencher", "bridge", "ladder")


@dataclass(frozen=True, slots=True)
class Size:
    """How much an invented problem holds."""

    visits: int
    crews: int
    days: int = 1
    breaks: bool = True
    plain: bool = False


def invented_problem(seed: int, size: Size) -> Problem:
    """A problem that depends on seed and size alone; ``now`` is 6 in the morning of day 0."""
    rng = np.random.default_rng(seed)
    now, until = 6 * HOUR, (size.days - 1) * DAY + 20 * HOUR
    places = {f"base {number}": _place(rng, 0.05) for number in range(1 + size.crews // 8)}
    bases = list(places)
    crews = []
    for number in range(size.crews):
        base = bases[number % len(bases)]
        crews.append(_crew(rng, f"crew {number}", base, size))
    visits = []
    for number in range(size.visits):
        places[f"place {number}"] = _place(rng, 0.18)
        visits.append(_visit(rng, number, size))
    return Problem(now, until, tuple(crews), tuple(visits), great_circle_travel(places))


def _place(rng: np.random.Generator, spread_deg: float) -> Place:
    lat, lon = rng.uniform(-spread_deg, spread_deg, 2)
    return Place(38.5 + float(lat), -1.2 + float(lon))


def _some(rng: np.random.Generator, names: tuple[str, ...], chance: float) -> frozenset[str]:
    return frozenset(name for name in names if rng.random() < chance)


def _crew(rng: np.random.Generator, name: str, base: str, size: Size) -> Crew:
    shifts = []
    begin = int(rng.choice([6, 7, 7, 8])) * HOUR
    for day in range(size.days):
        start = day * DAY + begin
        noon = day * DAY + 12 * HOUR
        rest = (Break(noon - 30, noon + 90, 30),) if size.breaks else ()
        shifts.append(Shift(start, start + 9 * HOUR, rest))
    everything = size.plain
    return Crew(
        name=name,
        base=base,
        shifts=tuple(shifts),
        people=int(rng.choice([1, 2])) if not everything else 2,
        skills=_some(rng, SKILLS, 1.0 if everything else 0.75),
        tools=_some(rng, TOOLS, 1.0 if everything else 0.6),
        parts={"decoder": int(rng.integers(4, 12))},
    )


def _visit(rng: np.random.Generator, number: int, size: Size) -> Visit:
    kind = VisitKind(rng.choice(["call", "call", "call", "soak-check", "inspection"]))
    p50 = float(rng.integers(15, 75)) if kind is VisitKind.CALL else float(rng.integers(10, 30))
    promise, access = None, []
    for day in range(size.days):
        opens = int(rng.choice([6, 7, 8]))
        closes = int(rng.choice([12, 15, 17, 19]))
        access.append(Interval(day * DAY + opens * HOUR, day * DAY + closes * HOUR))
    if kind is VisitKind.CALL and rng.random() < 0.3:
        promise = Promise(int(rng.integers(9, 17)) * HOUR)
    return Visit(
        name=f"visit {number}",
        place=f"place {number}",
        minutes=Minutes(p50, p50 * float(rng.uniform(1.2, 2.5))),
        access=tuple(access) if rng.random() < 0.7 else (),
        promise=promise,
        stations_dry=int(rng.integers(0, 40)) if kind is VisitKind.CALL else 0,
        value=480.0 if kind is VisitKind.CALL else float(rng.integers(20, 80)),
        kind=kind,
        people=2 if rng.random() < 0.1 and not size.plain else 1,
        skills=_some(rng, SKILLS, 0.15),
        tools=_some(rng, TOOLS, 0.12),
        parts={"decoder": int(rng.integers(0, 3))} if kind is VisitKind.CALL else {},
    )
