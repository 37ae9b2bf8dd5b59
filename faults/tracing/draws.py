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

HELD_AT_EDGE = 0.5
"""An outermost node with more than this of the mass says that the scale lies farther out."""


@dataclass(frozen=True, slots=True)
class DrawPrior:
    """The log draw scale before any reading: normals (share, mean, spread); shares sum to 1."""

    parts: tuple[tuple[float, float, float], ...]

    def log_density(self, logs: FloatArray) -> FloatArray:
        """log density at log scales."""
        total = np.zeros_like(logs)
        for share, mean, spread in self.parts:
            total += share / spread * np.exp(-0.5 * ((logs - mean) / spread) ** 2)
        return np.asarray(np.log(total + 1e-300) - 0.5 * math.log(2.0 * math.pi))


@dataclass(frozen=True, slots=True)
class DrawPriors:
    """The draw scale while a fault holds the voltage down, and on a sound path.

    ``narrow``: a sound record has told of it.
    """

    faulted: DrawPrior
    sound: DrawPrior
    narrow: bool = False


def plain_priors(beliefs: Assumptions) -> DrawPriors:
    """Nothing is known of the draws but the map."""
    prior = DrawPrior(((1.0, 0.0, beliefs.draw_log_spread),))
    return DrawPriors(prior, prior)


@dataclass(frozen=True, slots=True)
class DrawScale:
    """Where Gauss-Hermite nodes of log scale are laid: around ``centre``, ``spread`` wide."""

    centre: float
    spread: float

    def scales(self, count: int) -> FloatArray:
        """The nodes (count + 1,): the last one is 0, devices off at the low voltage."""
        x, _ = hermite_rule(count)
        return np.append(np.exp(self.centre + self.spread * x), 0.0)

    def faulted_weights(self, count: int, prior: DrawPrior, off_share: float) -> FloatArray:
        """Prior mass of each node while a fault holds the voltage down."""
        weights = np.zeros(count)
        for share, mean, spread in prior.parts:
            weights = weights + share * self._weights(count, mean, spread)
        return np.append(weights * (1.0 - off_share), off_share)

    def _weights(self, count: int, mean: float, spread: float) -> FloatArray:
        x, w = hermite_rule(count)
        off = (self.centre + self.spread * x - mean) / spread
        ratio = np.exp(0.5 * x**2 - 0.5 * off**2) * self.spread / spread
        return np.asarray(w * ratio)

    def refit(self, scales: FloatArray, mass: FloatArray, *, narrow: bool = False) -> DrawScale:
        """Centre and spread of the mass (count + 1,) that the nodes came to hold.

        ``narrow``: nodes were laid by a sound record, which may be wrong; where an outermost one
        holds the mass the next nodes lie around it, as wide.
        """
        on = mass[:-1]
        total = float(on.sum())
        if total <= 1e-12:
            return self
        logs = np.log(scales[:-1])
        if narrow and len(on) > 1 and max(on[0], on[-1]) > HELD_AT_EDGE * total:
            return DrawScale.near(float(logs[0 if on[0] > on[-1] else -1]), self.spread)
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
