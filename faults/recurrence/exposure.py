"""Exposure is energised time: a path that is off for a season does not wear its splices.

Times are numbers on one calendar, in any one unit. Spans are half open, [start, stop).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from faults.recurrence.checked import Flags, Floats, RecurrenceError

Span = tuple[float, float]


class State(IntEnum):
    """What the ground is like while a path is energised; a storm counts as storm alone."""

    DRY = 0
    WET = 1
    STORM = 2


@dataclass(frozen=True, slots=True)
class Spans:
    """Times that belong together, as rising spans that do not touch: shape (n,) each."""

    start: Floats
    stop: Floats

    @classmethod
    def of(cls, spans: Sequence[Span] | NDArray[np.float64]) -> Spans:
        """Spans in any order, joined where they touch or overlap; empty ones are left out.

        Raises RecurrenceError for a span that stops before it starts.
        """
        pairs = np.asarray(spans, dtype=np.float64).reshape(-1, 2)
        if not np.all(np.isfinite(pairs)) or np.any(pairs[:, 1] < pairs[:, 0]):
            raise RecurrenceError("spans: expected finite [start, stop] with start <= stop")
        pairs = pairs[pairs[:, 1] > pairs[:, 0]]
        pairs = pairs[np.argsort(pairs[:, 0], kind="stable")]
        if not len(pairs):
            return cls(np.zeros(0), np.zeros(0))
        reached = np.maximum.accumulate(pairs[:, 1])
        begins = np.concatenate([[True], pairs[1:, 0] > reached[:-1]])
        ends = np.concatenate([begins[1:], [True]])
        return cls(pairs[begins, 0], reached[ends])

    @property
    def total(self) -> float:
        """Their length."""
        return float(np.sum(self.stop - self.start))

    def within(self, other: Spans) -> Spans:
        """What belongs to both."""
        found = []
        for start, stop in zip(self.start, self.stop, strict=True):
            first = int(np.searchsorted(other.stop, start, side="right"))
            last = int(np.searchsorted(other.start, stop, side="left"))
            low = np.maximum(other.start[first:last], start)
            high = np.minimum(other.stop[first:last], stop)
            found.append(np.column_stack([low, high]))
        return Spans.of(np.concatenate(found) if found else np.zeros((0, 2)))

    def without(self, other: Spans) -> Spans:
        """What belongs to these and not to the other."""
        edges = np.concatenate([[-np.inf], np.column_stack([other.start, other.stop]).ravel()])
        gaps = np.concatenate([edges, [np.inf]]).reshape(-1, 2)
        if len(self.start):
            gaps = np.clip(gaps, self.start[0], self.stop[-1])
        else:
            gaps = np.zeros((0, 2))
        return self.within(Spans.of(gaps))

    def joined(self, other: Spans) -> Spans:
        """What belongs to either."""
        both = np.concatenate([np.column_stack([s.start, s.stop]) for s in (self, other)])
        return Spans.of(both)

    def hold(self, times: ArrayLike) -> Flags:
        """Whether each time lies in one of them."""
        at = np.asarray(times, dtype=np.float64)
        place = np.searchsorted(self.start, at, side="right") - 1
        inside = place >= 0
        return inside & (at < np.append(self.stop, -np.inf)[place])


@dataclass(frozen=True, slots=True)
class EnergisedClock:
    """A clock that runs while a unit is watched and energised, and stands in between."""

    on: Spans

    @classmethod
    def of(cls, watched: Span, off: Spans) -> EnergisedClock:
        """The clock of a unit watched over a span, less the times when it was off."""
        return cls(Spans.of([watched]).without(off))

    @property
    def total(self) -> float:
        """Energised time of the whole watch."""
        return self.on.total

    def at(self, times: ArrayLike) -> Floats:
        """The clock's reading at calendar times; it stands before, between and after."""
        when = np.asarray(times, dtype=np.float64)
        if not len(self.on.start):
            return np.zeros(when.shape)
        length = self.on.stop - self.on.start
        before = np.concatenate([[0.0], np.cumsum(length)])
        place = np.searchsorted(self.on.start, when, side="right") - 1
        inside = np.maximum(place, 0)
        run = np.clip(when - self.on.start[inside], 0.0, length[inside])
        reading: Floats = np.where(place < 0, 0.0, before[inside] + run)
        return reading

    def when(self, reading: float) -> float:
        """The first calendar time at which the clock shows a reading.

        Raises RecurrenceError past the end of the watch.
        """
        length = self.on.stop - self.on.start
        after = np.cumsum(length)
        if not len(after) or reading > after[-1]:
            raise RecurrenceError("reading: the clock never gets there")
        place = int(np.searchsorted(after, reading, side="left"))
        return float(self.on.stop[place] - (after[place] - reading))

    def by_state(self, wet: Spans, storm: Spans) -> tuple[float, float, float]:
        """Energised time while dry, wet without storm, and in storm: they sum to ``total``."""
        stormy = self.on.within(storm).total
        soaked = self.on.within(wet.without(storm)).total
        return self.on.total - stormy - soaked, soaked, stormy


def states_at(times: ArrayLike, wet: Spans, storm: Spans) -> NDArray[np.int64]:
    """The state at each time, as numbers of :class:`State`."""
    stormy, soaked = storm.hold(times), wet.hold(times)
    states: NDArray[np.int64] = np.where(
        stormy, int(State.STORM), np.where(soaked, int(State.WET), int(State.DRY))
    )
    return states
