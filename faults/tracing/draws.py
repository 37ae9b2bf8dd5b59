"""The devices' common draw scale: a prior, and nodes to integrate it on."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from faults.tracing.assumptions import Assumptions
from faults.tracing.quadrature import hermite_rule

FloatArray = NDArray[np.float64]

LADDER, LADDER_STEP = 0.35, 1.4


@dataclass(frozen=True, slots=True)
class DrawScale:
    """Where Gauss-Hermite nodes of log scale are laid: around ``centre``, ``spread`` wide."""

    centre: float
    spread: float

    def scales(self, count: int) -> FloatArray:
        """The nodes (count + 1,): the last one is 0, devices off at the low voltage."""
        x, _ = hermite_rule(count)
        return np.append(np.exp(self.centre + self.spread * x), 0.0)

    def faulted_weights(self, count: int, beliefs: Assumptions) -> FloatArray:
        """Prior mass of each node while a fault holds the voltage down."""
        weights = self._weights(count, 0.0, beliefs.draw_log_spread)
        return np.append(weights * (1.0 - beliefs.off_share), beliefs.off_share)

    def sound_weights(self, count: int, beliefs: Assumptions) -> FloatArray:
        """Prior mass of each node on a sound path, where devices are on."""
        return np.append(self._weights(count, 0.0, beliefs.draw_log_spread), 0.0)

    def _weights(self, count: int, mean: float, spread: float) -> FloatArray:
        x, w = hermite_rule(count)
        off = (self.centre + self.spread * x - mean) / spread
        ratio = np.exp(0.5 * x**2 - 0.5 * off**2) * self.spread / spread
        return np.asarray(w * ratio)

    def refit(self, scales: FloatArray, mass: FloatArray) -> DrawScale:
        """Centre and spread of the mass (count + 1,) that the nodes came to hold."""
        on = mass[:-1]
        total = float(on.sum())
        if total <= 1e-12:
            return self
        logs = np.log(scales[:-1])
        centre = float(on @ logs) / total
        spread = math.sqrt(max(float(on @ (logs - centre) ** 2) / total, 1e-4))
        return DrawScale.near(centre, spread)

    @staticmethod
    def near(centre: float, spread: float) -> DrawScale:
        """The nearest of a ladder of centres and spreads, so that trees solved before serve
        again."""
        steps = round(math.log(min(max(spread, 0.03), 0.6) / LADDER) / math.log(LADDER_STEP))
        rung = LADDER * LADDER_STEP**steps
        return DrawScale(round(centre / (rung / 2.0)) * (rung / 2.0), rung)

    def far_from(self, other: DrawScale) -> bool:
        """Whether nodes laid for ``other`` would serve badly here."""
        return abs(self.centre - other.centre) > 0.6 * other.spread or not (
            0.55 < self.spread / other.spread < 1.8
        )
