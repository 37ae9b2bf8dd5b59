"""The order of rows, kept in fractions so that one row put between two moves no other."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from itertools import pairwise


def places_in_order(old: Sequence[float | None]) -> list[float]:
    """A place for each row, rising; as many rows as possible keep the ``old`` one they have.

    ``old`` is in the new order, None for a new row. O(n log n). Where no number is left between
    two neighbours, all rows are placed afresh.
    """
    kept = _longest_rising(old)
    places: list[float] = []
    for place, at in [*((old[at], at) for at in kept), (None, len(old))]:
        gap = at - len(places)
        places += _between(places[-1] if places else None, place, gap)
        if place is not None:
            places.append(place)
    if all(low < high for low, high in pairwise(places)):
        return places
    return [float(at) for at in range(len(old))]


def _between(low: float | None, high: float | None, count: int) -> list[float]:
    """``count`` places after ``low`` and before ``high``, either of which may be missing."""
    if low is None:
        first = 0.0 if high is None else high - count
        return [first + at for at in range(count)]
    if high is None:
        return [low + 1.0 + at for at in range(count)]
    return [low + (high - low) * (at + 1) / (count + 1) for at in range(count)]


def _longest_rising(old: Sequence[float | None]) -> list[int]:
    """Where the longest rising subsequence of the known places stands (patience sorting)."""
    tails: list[float] = []
    tail_at: list[int] = []
    before: list[int] = [-1] * len(old)
    for at, place in enumerate(old):
        if place is None:
            continue
        pile = bisect_left(tails, place)
        if pile == len(tails):
            tails.append(place)
            tail_at.append(at)
        else:
            tails[pile] = place
            tail_at[pile] = at
        before[at] = tail_at[pile - 1] if pile else -1
    rising: list[int] = []
    at = tail_at[-1] if tail_at else -1
    while at >= 0:
        rising.append(at)
        at = before[at]
    return rising[::-1]
