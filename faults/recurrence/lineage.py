"""What became of places on a map that changed: exposure and failures follow them.

A segment split in two hands each part its share; places merged into one hand over all. A failure
whose whereabouts along a split segment is not known cannot be given to one part, so the parts then
stay one unit: failures are whole numbers, and none is guessed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from faults.recurrence.checked import Floats, RecurrenceError, Wholes

_ROUND = 1e-9


@dataclass(frozen=True, slots=True)
class Became:
    """At a revision of the map place ``old`` ended and became ``new``, in order along it.

    ``shares`` of the old one's length, summing to 1. One new place: renamed, or merged with
    others that became the same.
    """

    old: int
    new: tuple[int, ...]
    shares: tuple[float, ...]

    def __post_init__(self) -> None:
        if not self.new or len(self.new) != len(self.shares):
            raise RecurrenceError("new, shares: expected as many shares as places, at least one")
        if min(self.shares) <= 0.0 or abs(sum(self.shares) - 1.0) > _ROUND:
            raise RecurrenceError("shares: expected shares above 0 that sum to 1")


@dataclass(frozen=True, slots=True)
class Descent:
    """Where each place of any revision ended up.

    ``parts``: of each place the units it went to and the shares of it; ``of_failure``: the unit
    of each failure, shape (failures,); ``ends``: the places left that make up each unit.
    """

    units: int
    parts: tuple[tuple[tuple[int, float], ...], ...]
    of_failure: Wholes
    ends: tuple[tuple[int, ...], ...]

    def exposure(self, of_places: NDArray[np.float64]) -> Floats:
        """Exposure of the units from that of the places, shape (places, ...)."""
        summed = np.zeros((self.units, *of_places.shape[1:]))
        for place, parts in enumerate(self.parts):
            for unit, share in parts:
                summed[unit] += share * of_places[place]
        return summed


@dataclass(frozen=True, slots=True)
class _Piece:
    end: int
    low: float
    high: float


def trace_descent(
    places: int,
    became: Sequence[Became],
    failed_place: Sequence[int],
    fraction: Sequence[float | None],
) -> Descent:
    """Units made of the places that are left, each with all it came from.

    failed_place, fraction: of each failure its place then and how far along it, 0 to 1 or None.
    O(places + failures) for each level of descent.

    Raises RecurrenceError for a place that became two things or, in the end, itself.
    """
    steps = {step.old: step for step in became}
    if len(steps) < len(became):
        raise RecurrenceError("became: a place ends once")
    pieces = [tuple(_pieces(place, steps, 0.0, 1.0, 0)) for place in range(places)]
    joined = _Joined(places)
    for place, where in zip(failed_place, fraction, strict=True):
        if where is None:
            for piece in pieces[place][1:]:
                joined.join(pieces[place][0].end, piece.end)
    ends = sorted({piece.end for cut in pieces for piece in cut})
    heads = sorted({joined.of(end) for end in ends})
    number = {head: unit for unit, head in enumerate(heads)}
    members: dict[int, list[int]] = defaultdict(list)
    for end in ends:
        members[number[joined.of(end)]].append(end)
    parts = []
    for cut in pieces:
        share: dict[int, float] = defaultdict(float)
        for piece in cut:
            share[number[joined.of(piece.end)]] += piece.high - piece.low
        parts.append(tuple(sorted(share.items())))
    of_failure = [
        number[joined.of(_end_at(pieces[place], where))]
        for place, where in zip(failed_place, fraction, strict=True)
    ]
    return Descent(
        len(heads),
        tuple(parts),
        np.array(of_failure, dtype=np.int64),
        tuple(tuple(members[unit]) for unit in range(len(heads))),
    )


def _pieces(
    place: int, steps: dict[int, Became], low: float, high: float, depth: int
) -> Iterator[_Piece]:
    """What a place is in the end, from its start to its end."""
    if depth > len(steps):
        raise RecurrenceError(f"became: place {place} becomes itself")
    step = steps.get(place)
    if step is None:
        yield _Piece(place, low, high)
        return
    start = low
    for following, share in zip(step.new, step.shares, strict=True):
        stop = start + share * (high - low)
        yield from _pieces(following, steps, start, stop, depth + 1)
        start = stop


def _end_at(cut: tuple[_Piece, ...], where: float | None) -> int:
    for piece in cut:
        if where is None or where < piece.high:
            return piece.end
    return cut[-1].end


class _Joined:
    """Disjoint sets of places."""

    def __init__(self, count: int) -> None:
        self._above = list(range(count))

    def of(self, one: int) -> int:
        """The place that stands for its set: the lowest."""
        while self._above[one] != one:
            self._above[one] = self._above[self._above[one]]
            one = self._above[one]
        return one

    def join(self, one: int, other: int) -> None:
        """Make two sets one."""
        low, high = sorted((self.of(one), self.of(other)))
        self._above[high] = low
