"""A clock of energised time that tells dry, wet and storm time apart, and can be read later on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from faults.recurrence.checked import Floats, Wholes
from faults.recurrence.exposure import Spans, State, states_at

STANDING = -1
"""The state of a clock that stands: not watched, or not energised."""


@dataclass(frozen=True, slots=True)
class StateClock:
    """``edges``: rising times at which the state changes, shape (k,); ``state``: from each edge on,
    shape (k,); ``readings``: time in each state up to each edge, shape (k, 3)."""

    edges: Floats
    state: Wholes
    readings: Floats

    @classmethod
    def of(cls, on: Spans, wet: Spans, storm: Spans) -> StateClock:
        """The clock of what is on over some spans. O(k log k) in the number of spans."""
        sides = [side for spans in (on, wet, storm) for side in (spans.start, spans.stop)]
        edges = np.unique(np.concatenate(sides))
        state = np.where(on.hold(edges), states_at(edges, wet, storm), STANDING)
        return cls.from_states(edges, state.astype(np.int64))

    @classmethod
    def from_states(cls, edges: Floats, state: Wholes) -> StateClock:
        """The clock with these edges and what follows each."""
        spent = np.zeros((len(edges), len(State)))
        if len(edges) > 1:
            running = np.flatnonzero(state[:-1] != STANDING)
            spent[running + 1, state[running]] = np.diff(edges)[running]
        return cls(edges, state, np.cumsum(spent, axis=0))

    def at(self, times: ArrayLike) -> Floats:
        """Time in each state up to some times, shape (times, 3); 0 before the first edge."""
        when = np.atleast_1d(np.asarray(times, dtype=np.float64))
        found = np.zeros((len(when), len(State)))
        place = np.searchsorted(self.edges, when, side="right") - 1
        told = np.flatnonzero(place >= 0)
        found[told] = self.readings[place[told]]
        running = told[self.state[place[told]] != STANDING]
        found[running, self.state[place[running]]] += when[running] - self.edges[place[running]]
        return found
