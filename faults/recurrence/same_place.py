"""When two failures are at the same place: by a rule that is said, and shown with every figure.

Repairs in the wrong place fail next door, so *the very place* alone misses them; *within so many
splices* or *metres along the cable* catches them, and more that is chance. The chance of another
failure is worked out over the same neighbourhood, so that either way the comparison is fair.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra

from faults.recurrence.checked import (
    Flags,
    Floats,
    RecurrenceError,
    Wholes,
    checked_amounts,
    floats,
)

_ROUND = 1e-9


@dataclass(frozen=True, slots=True)
class SamePlace:
    """The rule: ``very`` (the splice or segment itself), within ``reach`` ``splices``, or within
    ``reach`` ``metres`` along the cable. A segment lies half a splice from those at its ends."""

    kind: Literal["very", "splices", "metres"] = "very"
    reach: float = 0.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.reach) and self.reach >= 0.0):
            raise RecurrenceError("reach: expected a finite number of at least 0")

    @property
    def words(self) -> str:
        """The rule as it is shown."""
        if self.kind == "very":
            return "the very splice or segment"
        if self.kind == "splices":
            return f"within {self.reach:g} splice{'' if self.reach == 1.0 else 's'}"
        return f"within {self.reach:g} m along the cable"


@dataclass(frozen=True, slots=True)
class CableMap:
    """Splices 0 … nodes − 1, and segments between them.

    ``ends``: the two splices of each segment, shape (segments, 2); ``length_m``: shape (segments,).
    """

    nodes: int
    ends: Wholes
    length_m: Floats

    @classmethod
    def of(cls, nodes: int, ends: ArrayLike, length_m: ArrayLike) -> CableMap:
        """Checked. Raises RecurrenceError."""
        pairs = np.asarray(ends, dtype=np.int64).reshape(-1, 2)
        lengths = checked_amounts(length_m, "length_m", above_zero=True)
        if len(pairs) != len(lengths) or np.any((pairs < 0) | (pairs >= nodes)):
            raise RecurrenceError("ends: expected two splices for each segment's length")
        return cls(nodes, pairs, lengths)


@dataclass(frozen=True, slots=True)
class Spot:
    """Where something failed: a splice, or a segment and how far along it from its first end."""

    node: int | None = None
    segment: int | None = None
    fraction: float = 0.5

    def __post_init__(self) -> None:
        if (self.node is None) == (self.segment is None):
            raise RecurrenceError("spot: expected a splice or a segment, one of them")
        if not 0.0 <= self.fraction <= 1.0:
            raise RecurrenceError("fraction: expected 0 <= x <= 1")


class Neighbourhoods:
    """Distances of spots on one map under one rule. O(spots × nodes log nodes)."""

    def __init__(self, cable: CableMap, rule: SamePlace, spots: list[Spot]) -> None:
        """Raises RecurrenceError for a spot off the map."""
        self._cable, self.rule, self._spots = cable, rule, spots
        for spot in spots:
            if (spot.node or 0) >= cable.nodes or (spot.segment or 0) >= len(cable.ends):
                raise RecurrenceError("spot: there is no such splice or segment on the map")
        # Half a splice from a segment's middle to its ends, wherever along it something failed.
        self._length = cable.length_m if rule.kind == "metres" else np.ones(len(cable.length_m))
        self._from = self._to_nodes()

    def _along(self, spot: Spot) -> float:
        return spot.fraction if self.rule.kind == "metres" else 0.5

    def _to_nodes(self) -> Floats:
        """From each spot to each splice, infinite beyond reach, shape (spots, nodes)."""
        cable, spots = self._cable, self._spots
        if self.rule.kind == "very" or not spots:
            return np.zeros((len(spots), cable.nodes))
        order = np.argsort(-self._length, kind="stable")  # of two segments side by side the shorter
        one, other = cable.ends[order].T
        kept = {
            (min(a, b), max(a, b)): length
            for a, b, length in zip(
                one.tolist(), other.tolist(), self._length[order].tolist(), strict=True
            )
            if a != b
        }
        rows, columns = (np.array([pair[side] for pair in kept], dtype=np.int64) for side in (0, 1))
        graph = coo_array(
            (np.array(list(kept.values())), (rows, columns)), shape=(cable.nodes, cable.nodes)
        ).tocsr()
        needed = sorted({node for spot in spots for node, _ in self._ends_of(spot)})
        row_of = {node: row for row, node in enumerate(needed)}
        limit = self.rule.reach + _ROUND
        table = dijkstra(graph, directed=False, indices=needed, limit=limit)
        ways = [
            np.min([table[row_of[node]] + start for node, start in self._ends_of(spot)], axis=0)
            for spot in spots
        ]
        return floats(ways)

    def _ends_of(self, spot: Spot) -> list[tuple[int, float]]:
        """The splices at a spot, each with the way to it."""
        if spot.segment is None:
            return [(int(spot.node or 0), 0.0)]
        a, b = self._cable.ends[spot.segment].tolist()
        length, along = float(self._length[spot.segment]), self._along(spot)
        return [(a, along * length), (b, (1.0 - along) * length)]

    def same(self) -> Flags:
        """Whether each two spots are the same place, shape (spots, spots)."""
        spots, count = self._spots, len(self._spots)
        if self.rule.kind == "very":
            names = [(spot.node, spot.segment) for spot in spots]
            return np.array([[a == b for b in names] for a in names], np.bool_).reshape(
                count, count
            )
        way = np.full((count, count), np.inf)
        for j, spot in enumerate(spots):
            for node, start in self._ends_of(spot):
                way[:, j] = np.minimum(way[:, j], self._from[:, node] + start)
            for i, other in enumerate(spots):
                if spot.segment is not None and spot.segment == other.segment:
                    apart = abs(self._along(spot) - self._along(other))
                    way[i, j] = min(way[i, j], apart * float(self._length[spot.segment]))
        found: Flags = way <= self.rule.reach + _ROUND
        return found

    def weights(self) -> tuple[Floats, Floats]:
        """How much of each splice (0 or 1) and segment (share of its length) is the same place as
        each spot, shape (spots, nodes) and (spots, segments)."""
        cable, spots = self._cable, self._spots
        nodes = np.zeros((len(spots), cable.nodes))
        segments = np.zeros((len(spots), len(cable.ends)))
        if self.rule.kind == "very":
            for i, spot in enumerate(spots):
                if spot.node is not None:
                    nodes[i, spot.node] = 1.0
                else:
                    segments[i, spot.segment] = 1.0
            return nodes, segments
        reach = self.rule.reach + _ROUND
        nodes = (self._from <= reach).astype(np.float64)
        for i, spot in enumerate(spots):
            segments[i] = self._shares(i, spot)
        return nodes, segments

    def _shares(self, i: int, spot: Spot) -> Floats:
        """Of each segment, how much is within reach of a spot."""
        left = self.rule.reach + _ROUND - self._from[i][self._cable.ends]
        if self.rule.kind == "splices":
            shares = (left >= 0.5).any(axis=1).astype(np.float64)
        else:
            shares = np.minimum(np.maximum(left, 0.0).sum(axis=1) / self._length, 1.0)
        if spot.segment is not None:
            own = spot.segment
            length, along = float(self._length[own]), self._along(spot)
            reach = self.rule.reach
            near = min(along * length, reach) + min((1.0 - along) * length, reach)
            shares[own] = 1.0 if self.rule.kind == "splices" else near / length
        return floats(shares)
