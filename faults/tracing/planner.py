"""Where to clamp next: the least time still to expect.

1. Every node is screened by the chance that a visit eliminates, per minute of going there.
2. Wires whose reading could not tell are left out (``sight``).
3. The best few are rolled out: what following the screen afterwards would cost (``rollout``).

The other methods choose only the next node; which wire to clamp there is the same for all.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from faults.tracing.posterior import Posterior
from faults.tracing.problem import TraceProblem
from faults.tracing.rollout import Visit, roll_out, screened
from faults.tracing.sight import Sight
from faults.tracing.travel import arrival_minutes
from faults.tracing.tree_view import TreeView
from sites.network.faults import Place

FloatArray = NDArray[np.float64]

Method = Literal["planner", "outward", "halving", "per-minute"]
METHODS: tuple[str, ...] = get_args(Method)

WORTH_READING = 0.004
"""A wire whose reading would eliminate less than this is not worth the half minute."""


OFTEN = 4
"""Readings of one wire after which another is not expected to tell more."""


@dataclass(frozen=True, slots=True)
class Wire:
    """One wire that can be clamped at a node: a segment, a lead, or None for a stray one.

    ``low`` and ``high`` bound the points beyond it; ``chance`` that the fault is beyond it.
    """

    node: str
    id: str | None
    low: int
    high: int
    chance: float
    tells: float

    @property
    def eliminates(self) -> float:
        """The chance that one reading is expected to eliminate."""
        return 2.0 * self.chance * (1.0 - self.chance) * self.tells


@dataclass(frozen=True, slots=True)
class Choice:
    """The wire to clamp next, with the minutes of search still to expect after it."""

    wire: Wire
    remaining_min: tuple[tuple[float, float], ...] = ()
    instead_min: float | None = None


@dataclass(frozen=True, slots=True)
class Ground:
    """Where the technician is and what cannot be reached or is known already.

    ``visited`` are nodes with a reading; ``read`` counts readings by (node, wire).
    """

    here: str
    closed: frozenset[str] = frozenset()
    visited: frozenset[str] = frozenset()
    read: dict[tuple[str, str | None], int] = field(default_factory=dict)
    no_stray: frozenset[str] = frozenset()


class Planner:
    """Plans over one path; holds its geometry only."""

    def __init__(self, problem: TraceProblem, method: Method = "planner") -> None:
        self.problem = problem
        self.method = method
        self.nodes = {node.id: node for node in problem.path.nodes}
        self.order = [node.id for node in problem.path.nodes]
        self.at = {node_id: i for i, node_id in enumerate(self.order)}
        self.xy = np.array([(node.x_m, node.y_m) for node in problem.path.nodes])
        self.arrival = np.array(
            [arrival_minutes(problem.costs, node) for node in problem.path.nodes]
        )

    def choose(self, posterior: Posterior, sight: Sight, ground: Ground) -> Choice | None:
        """The next wire, or None where no reading anywhere would tell more."""
        sight = self._fresh(posterior, sight, ground)
        here = None
        if ground.here not in ground.closed:
            here = self._best_wire(self.wires_at(posterior, sight, ground.here), ground)
        visits = self._visits(posterior, sight, ground)
        gains = np.array([visit.eliminates for visit in visits])
        if not len(gains) or gains.max() < WORTH_READING:
            return Choice(here) if here else None
        if self.method in ("planner", "per-minute"):
            return self._by_rate(posterior, sight, ground, here, visits)
        if here:
            return Choice(here)
        node = (
            self._halving(visits)
            if self.method == "halving"
            else self._outward(posterior, sight, ground, visits)
        )
        return self._at(posterior, sight, ground, node)

    def endings(
        self, posterior: Posterior, sight: Sight, ground: Ground, *, stays: bool
    ) -> tuple[tuple[float, float], ...]:
        """(chance, minutes) of every way that the search from here may end, by the screen alone;
        empty where no visit would tell more. ``stays``: the wires here are read first."""
        sight = self._fresh(posterior, sight, ground)
        visits = self._visits(posterior, sight, ground)
        here: str | Visit = ground.here
        if stays:
            point = posterior.view.point_of_node[ground.here]
            staying_min = self.problem.costs.same_place_min
            here = Visit(ground.here, point, staying_min, 1.0, float(sight.beyond[point]))
        if not visits and not stays:
            return ()
        return screened(self, posterior, sight, here, visits, _rates(visits))

    def wires_at(self, posterior: Posterior, sight: Sight, node_id: str) -> list[Wire]:
        """Every wire of a node with what its reading would tell."""
        view = posterior.view
        if node_id not in view.point_of_node:
            return []
        wires = []
        for segment in (view.upstream_segment.get(node_id), *view.downstream_segments[node_id]):
            if segment is None:
                continue
            edge = view.edge_of_wire[(node_id, segment)]
            low, high = edge, int(view.last[edge])
            chance = sight.within(low, high)
            wires.append(Wire(node_id, segment, low, high, chance, float(sight.tells[edge])))
        point = view.point_of_node[node_id]
        own = posterior.hypotheses
        for device in view.devices_at.get(node_id, ()):
            chance = float(posterior.chance[own.index[Place("device", device.id)]])
            wires.append(Wire(node_id, device.id, point, point, chance, 1.0))
        stray = own.index.get(Place("unmapped", node_id))
        if stray is not None:
            wires.append(Wire(node_id, None, point, point, float(posterior.chance[stray]), 1.0))
        return wires

    @staticmethod
    def _fresh(posterior: Posterior, sight: Sight, ground: Ground) -> Sight:
        """Wires read often enough tell no more."""
        edges = posterior.view.edge_of_wire
        stale = [
            edges[(node, wire)]
            for (node, wire), times in ground.read.items()
            if times >= OFTEN and wire is not None and (node, wire) in edges
        ]
        if not stale:
            return sight
        tells = sight.tells.copy()
        tells[stale] = 0.0
        return replace(sight, tells=tells)

    # -- the ways to choose a node

    def _by_rate(
        self,
        posterior: Posterior,
        sight: Sight,
        ground: Ground,
        here: Wire | None,
        visits: list[Visit],
    ) -> Choice | None:
        rates = _rates(visits)
        best = int(rates.argmax())
        if here is not None:
            rate = here.eliminates / max(self.problem.costs.same_place_min, 1e-6)
            if rate >= rates[best]:
                return Choice(here)
        if self.method == "per-minute":
            return self._at(posterior, sight, ground, visits[best].node)
        rolled = roll_out(self, posterior, sight, ground.here, visits, rates)
        choice = self._at(posterior, sight, ground, rolled.node)
        if choice is None:
            return None
        return Choice(choice.wire, rolled.remaining_min, rolled.instead_min)

    @staticmethod
    def _halving(visits: list[Visit]) -> str:
        return min(visits, key=lambda v: (abs(v.below - 0.5), v.minutes)).node

    def _outward(
        self, posterior: Posterior, sight: Sight, ground: Ground, visits: list[Visit]
    ) -> str:
        """The nearest node not read yet on the wire that carries the chance."""
        view = posterior.view
        node = self.problem.path.controller.id
        allowed = {visit.node for visit in visits}
        node_at = {point: node_id for node_id, point in view.point_of_node.items()}
        while True:
            onward = [
                view.edge_of_wire[(node, segment)] for segment in view.downstream_segments[node]
            ]
            if not onward:
                break
            edge = max(onward, key=lambda e: sight.beyond[e])
            far = edge + 1
            if far not in node_at:
                break
            node = node_at[far]
            if node not in ground.visited and node in allowed:
                return node
            if sight.beyond[far] < 0.2:
                break
        return max(visits, key=lambda v: v.eliminates / v.minutes).node

    # -- visits

    def _visits(self, posterior: Posterior, sight: Sight, ground: Ground) -> list[Visit]:
        """What a visit to each other node would eliminate, for those where it is worth it."""
        view = posterior.view
        eliminates = eliminated_at(view, sight)
        minutes = self.minutes_from(ground.here).tolist()
        wires = np.bincount(view.parent[1:], minlength=view.size)
        reading = (0.5 * self.problem.costs.same_place_min * wires).tolist()
        worth = eliminates.tolist()
        below = (sight.beyond * sight.tells).tolist()
        return [
            Visit(
                node=node,
                point=point,
                minutes=minutes[self.at[node]] + reading[point] + 1e-3,
                eliminates=worth[point],
                below=below[point],
            )
            for node, point in view.point_of_node.items()
            if worth[point] > WORTH_READING and node != ground.here and node not in ground.closed
        ]

    def minutes_from(self, node_id: str) -> FloatArray:
        """Walking and arriving at every node from one, in the path's order."""
        here = self.xy[self.at[node_id]]
        walk = np.hypot(*(self.xy - here).T) / self.problem.costs.walk_m_per_s / 60.0
        return np.asarray(walk + self.arrival)

    def _at(
        self, posterior: Posterior, sight: Sight, ground: Ground, node_id: str
    ) -> Choice | None:
        wires = self.wires_at(posterior, sight, node_id)
        best = self._best_wire(wires, ground, least=0.0)
        return Choice(best) if best else None

    @staticmethod
    def _best_wire(
        wires: list[Wire], ground: Ground, *, least: float = WORTH_READING
    ) -> Wire | None:
        """The wire that tells most; one read already counts for less each time."""
        usable = [
            (wire.eliminates / (1.0 + 0.5 * ground.read.get((wire.node, wire.id), 0)), -i, wire)
            for i, wire in enumerate(wires)
            if ground.read.get((wire.node, wire.id), 0) < OFTEN
            and not (wire.id is None and (wire.node in ground.no_stray or wire.chance < 0.02))
        ]
        if not usable:
            return None
        gain, _, wire = max(usable)
        return wire if gain >= least else None


def _rates(visits: list[Visit]) -> FloatArray:
    """Eliminated chance per minute of each visit."""
    return np.array([visit.eliminates / visit.minutes for visit in visits])


def eliminated_at(view: TreeView, sight: Sight) -> FloatArray:
    """For every point (P,) the chance that reading all wires there is expected to eliminate.

    With parts U above, b_j on each wire that goes on and the rest at the place itself, it is
    twice the sum of p_i p_j over the pairs of parts that the readings tell apart:
    1 - sum p^2 where all do.
    """
    up = view.parent[1:]
    passed = sight.beyond[1:]
    told = passed * sight.tells[1:]
    onward = np.bincount(up, passed, view.size)
    onward_told = np.bincount(up, told, view.size)
    among = onward * onward_told - np.bincount(up, passed * told, view.size)
    below = sight.beyond
    local = np.maximum(below - onward, 0.0)
    incoming = sight.tells.copy()
    incoming[0] = 0.0
    best = np.maximum(incoming[up], sight.tells[1:])
    from_above = local * incoming + np.bincount(up, passed * best, view.size)
    return np.asarray(2.0 * (1.0 - below) * from_above + among + 2.0 * local * onward_told)
