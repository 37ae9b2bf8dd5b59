"""The path without a fault at a place: how well readings fit it, by draw scale.

A sound path's current follows its devices' draws closely, so the likelihood is narrow in the
common draw scale. The tree is solved once at Chebyshev nodes of log scale; what a wire carries is
smooth in it, and is interpolated on a fine grid for each reading.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from faults.tracing.assumptions import Assumptions
from faults.tracing.draws import DrawPriors
from faults.tracing.evidence import CurrentReading
from faults.tracing.noise import ratio_layer
from faults.tracing.prediction import FaultSet, SoundTree, place_faults, solve_sound
from faults.tracing.problem import TraceProblem
from faults.tracing.tree_view import TreeView

FloatArray = NDArray[np.float64]

LOW_LOG, HIGH_LOG = -2.2, 2.2
NODES = 9
GRID = 177


@dataclass(frozen=True)
class SoundScales:
    """A tree without a fault at NODES draw scales, and the fine grid (GRID,) between them.

    ``draws`` is what a sound record says of the draw scale, None where there is none.
    ``_seen`` keeps the layer of each wire asked for: it depends on nothing that is read.
    """

    problem: TraceProblem
    view: TreeView
    draws: DrawPriors | None = None
    _seen: dict[tuple[str, str, str], FloatArray] = field(
        default_factory=dict, repr=False, compare=False
    )

    @cached_property
    def node_logs(self) -> FloatArray:
        """Chebyshev nodes of the log draw scale."""
        return _from_unit(chebyshev.chebpts1(NODES))

    @cached_property
    def logs(self) -> FloatArray:
        """The fine grid of the log draw scale."""
        return np.linspace(LOW_LOG, HIGH_LOG, GRID)

    @cached_property
    def tree(self) -> SoundTree:
        """The sound tree at the nodes."""
        return solve_sound(self.view, np.exp(self.node_logs))

    @cached_property
    def path(self) -> FaultSet:
        """The sound path as a fault set of one."""
        return place_faults(self.tree, np.array([-1]), np.ones(1))

    @cached_property
    def total(self) -> NDArray[np.complex128]:
        """Current into the terminals for 1 V there (GRID,)."""
        return np.asarray(_between_nodes() @ self.path.total[0, 0, :])

    def voltage_v(self, point: int) -> NDArray[np.complex128]:
        """Voltage of a point for 1 V at the terminals (GRID,)."""
        return np.asarray(_between_nodes() @ self.tree.voltage[point])

    def layers(self, readings: Sequence[CurrentReading]) -> FloatArray:
        """Ratios to the reference (k, 1, 1, GRID) of each reading's wire."""
        if not readings:
            return np.empty((0, 1, 1, GRID))
        return np.stack([self._layer(reading) for reading in readings])[:, None, None, :]

    def _layer(self, reading: CurrentReading) -> FloatArray:
        """One reading's wire (GRID,)."""
        wire = (reading.kind, reading.node, reading.wire)
        layer = self._seen.get(wire)
        if layer is None:
            at_nodes = ratio_layer(reading, self.path, {}, self.problem.path)[0, 0, :]
            layer = np.maximum(_between_nodes() @ at_nodes, 0.0)
            layer.flags.writeable = False
            self._seen[wire] = layer
        return layer

    def faults(self) -> FaultSet:
        """The sound path on the fine grid, as far as a scale's prior looks at it."""
        total = self.total[None, None, :]
        return FaultSet(
            self.tree, np.array([-1]), np.ones(1), np.zeros_like(total), total, np.abs(total)
        )

    def sound_log_weights(self, beliefs: Assumptions) -> FloatArray:
        """log prior mass of the grid on a sound path."""
        if self.draws is not None:
            logs = self.draws.sound.log_density(self.logs)
            return np.asarray(logs - math.log(float(np.exp(logs).sum())))
        return self._normal_log(0.0, beliefs.draw_log_spread)

    def overload_log_weights(self, beliefs: Assumptions) -> FloatArray:
        """log prior mass of the grid on a path that draws too much."""
        return self._normal_log(beliefs.overload_log_mean, beliefs.overload_log_spread)

    def _normal_log(self, mean: float, spread: float) -> FloatArray:
        logs = -0.5 * ((self.logs - mean) / spread) ** 2
        return np.asarray(logs - math.log(float(np.exp(logs).sum())))


def _from_unit(x: FloatArray) -> FloatArray:
    """-1 to 1 onto the log draw scales."""
    middle, half = (HIGH_LOG + LOW_LOG) / 2.0, (HIGH_LOG - LOW_LOG) / 2.0
    return np.asarray(middle + half * x)


@lru_cache(maxsize=1)
def _between_nodes() -> FloatArray:
    """What takes values at the nodes to the polynomial through them on the grid (GRID, NODES)."""
    at_nodes = chebyshev.chebvander(chebyshev.chebpts1(NODES), NODES - 1)
    on_grid = chebyshev.chebvander(np.linspace(-1.0, 1.0, GRID), NODES - 1)
    return np.asarray(np.linalg.solve(at_nodes.T, on_grid.T).T)
