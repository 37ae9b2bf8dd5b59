"""When to look at a place again: when the predicted chance of a failure reaches a target.

Only a reason to look, never to dig: where to open and how is for those on site.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from faults.recurrence.checked import (
    Floats,
    RecurrenceError,
    Wholes,
    checked_amounts,
    checked_share,
    floats,
    same_length,
)
from faults.recurrence.rates import ShrunkRates


def predicted_chance(rates: ShrunkRates, exposure: ArrayLike) -> Floats:
    """Chance of at least one failure in further exposure: 1 − (β/(β + e))^α, shape (n,)."""
    ahead = checked_amounts(exposure, "exposure")
    # Posterior of one known rate is held as an infinite β: there 1 − exp(−μe).
    known = np.isinf(rates.rate)
    bend = np.where(known, 1.0, rates.rate)
    spread = rates.shape * np.log1p(ahead / bend)
    return floats(-np.expm1(-np.where(known, rates.mean * ahead, spread)))


def exposure_to_chance(rates: ShrunkRates, target: float) -> Floats:
    """Exposure after which the predicted chance is ``target``: β((1 − c)^(−1/α) − 1), shape (n,).

    Infinite where nothing can fail. Raises RecurrenceError for a target outside (0, 1).
    """
    need = -np.log1p(-checked_share(target, "target"))
    known = np.isinf(rates.rate)
    bend = np.where(known, 1.0, rates.rate)
    with np.errstate(divide="ignore"):
        steady = need / rates.mean
    return floats(np.where(known, steady, bend * np.expm1(need / rates.shape)))


def power_law_to_chance(lam: float, beta: float, age: float, target: float) -> float:
    """Clock time after ``age`` in which a unit with a trend reaches the chance ``target``.

    1 − exp(−λ((a + τ)^β − a^β)) = c, so τ = (a^β − ln(1 − c)/λ)^(1/β) − a.
    """
    need = -np.log1p(-checked_share(target, "target"))
    return float((age**beta + need / lam) ** (1.0 / beta) - age)


@dataclass(frozen=True, slots=True)
class Visit:
    """Looks at one property in one week; ``late``: weeks after the first of them was due."""

    week: int
    property: int
    looks: tuple[int, ...]
    late: int


def levelled_visits(
    due_week: ArrayLike,
    property_of: ArrayLike,
    capacity: int,
    *,
    together_weeks: int = 4,
    first_week: int = 0,
    open_weeks: Sequence[frozenset[int]] | None = None,
) -> tuple[Visit, ...]:
    """A plan that holds every look once: at most ``capacity`` a week, none before it must be.

    due_week, property_of: of each look, shape (n,). Looks of one property due within
    ``together_weeks`` of its first are one visit, cut into several where they are more than the
    capacity. Visits go in order of what is due first; one that finds its week full goes to the
    next with room. ``open_weeks``: of each property the weeks of the year (0 to 51) when it is
    energised and open; a look moves to the first open week, never out of the plan. O(n log n +
    weeks).

    Raises RecurrenceError for a capacity below 1, or a property that is never open.
    """
    due = np.maximum(np.asarray(due_week, dtype=np.int64), first_week)
    owner = np.asarray(property_of, dtype=np.int64)
    same_length(due_week=due, property_of=owner)
    if capacity < 1:
        raise RecurrenceError("capacity: expected at least 1 look a week")
    if open_weeks is not None and not all(open_weeks):
        raise RecurrenceError("open_weeks: a property is never open")
    used: dict[int, int] = {}
    visits = []
    for first, looks in _bunches(due, owner, capacity, together_weeks):
        one = int(owner[looks[0]])
        week = first
        while used.get(week, 0) + len(looks) > capacity or (
            open_weeks is not None and week % 52 not in open_weeks[one]
        ):
            week += 1
        used[week] = used.get(week, 0) + len(looks)
        visits.append(Visit(week, one, looks, week - first))
    return tuple(sorted(visits, key=lambda visit: (visit.week, visit.property, visit.looks)))


def _bunches(
    due: Wholes, owner: Wholes, capacity: int, together: int
) -> list[tuple[int, tuple[int, ...]]]:
    """Looks that go together, each bunch with the week of its first, earliest first."""
    bunches: list[tuple[int, list[int]]] = []
    open_bunch: dict[int, int] = {}
    for look in np.lexsort((np.arange(len(due)), due)).tolist():
        place = open_bunch.get(int(owner[look]))
        if place is not None:
            first, looks = bunches[place]
            if due[look] - first <= together and len(looks) < capacity:
                looks.append(look)
                continue
        open_bunch[int(owner[look])] = len(bunches)
        bunches.append((int(due[look]), [look]))
    return [(first, tuple(looks)) for first, looks in bunches]
