"""Likelihood of clamp readings, written from ``docs/algorithms/posterior.md`` alone.

Everything is an array over cells (C,): pairs of R and s under one hypothesis.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from tests.tracing.dense_network import Complexes, DenseNetwork, Floats, Response

Reading = dict[str, Any]
DRAW_SPREAD, DRIFT_PER_HOUR = 0.30, 0.02
BOTH, ANYTHING, NEAR_ZERO_MA = 0.03, 0.03, 1.5
COIL_MEDIAN_OHM, COIL_LOG_SPREAD, COIL_X_OVER_R = 110.0, 0.40, (1.5, 2.2, 3.0)
REACH = 8.0


@dataclass(frozen=True)
class Meter:
    """As in the survey form."""

    percent: float = 1.0
    counts: float = 2.0
    resolution_ma: float = 1.0

    @property
    def scale_spread(self) -> float:
        """Of the gain, and of the source and coil, in squares."""
        return math.hypot(0.01 * self.percent / math.sqrt(3.0), 0.015)

    def variance_ma2(self, reading_ma: Floats) -> Floats:
        """Of one reading by itself: the meter, pick-up, lengths."""
        meter = (self.counts * self.resolution_ma) ** 2 / 3.0 + self.resolution_ma**2 / 12.0
        return np.asarray(meter + 0.3**2 + (0.005 * reading_ma) ** 2)


@dataclass(frozen=True)
class Shares:
    """Of the current into the terminals: ``t`` (k, C) of each wire; ``draw`` (nodes, C)."""

    t: Floats
    draw: Floats


class Readings:
    """The readings, which nodes' draw each wire carries, and how likely they all are."""

    def __init__(
        self,
        network: DenseNetwork,
        readings: Sequence[Reading],
        meter: Meter,
        coil_ohm: complex | None,
    ) -> None:
        self.network, self.rows, self.meter, self.coil_ohm = network, readings, meter, coil_ohm
        self.y = np.array([row["current_ma"] for row in readings], dtype=float)
        self.v = float(network.path["source_v"])
        self.z_source = complex(*network.path["source_ohm"])
        self.loaded = [n for n in network.node_ids if network.load[network.number["node", n]] != 0]
        self.carries = np.array([[n in self._carried(r) for n in self.loaded] for r in readings])
        self.carries = self.carries.reshape(len(readings), len(self.loaded)).astype(float)
        most = float(self.y.max()) if len(self.y) else 0.0
        coil = 80.0 if coil_ohm is None else abs(coil_ohm)
        self.top = 1.2 * max(1000.0 * self.v / (coil + abs(self.z_source)), most)
        minutes = np.array([row["at_min"] for row in readings], dtype=float)
        both = np.minimum(minutes[:, None], minutes[None, :]) / 60.0
        own = np.array([9.0 if row["kind"] == "unmapped" else 0.0 for row in readings])
        self.fixed = np.diag(meter.variance_ma2(self.y) + own)
        self.fixed = self.fixed + DRIFT_PER_HOUR**2 * both * np.outer(self.y, self.y)
        self.draw_weight = (DRAW_SPREAD * most) ** 2
        near = np.exp(-0.5 * (self.y / NEAR_ZERO_MA) ** 2) / NEAR_ZERO_MA
        self.wrong = BOTH * near * math.sqrt(2.0 / math.pi) + ANYTHING / self.top

    def _carried(self, row: Reading) -> set[str]:
        if row["kind"] == "reference":
            return set(self.loaded)
        if row["kind"] == "segment":
            return self.network.beyond[row["wire"]]
        return {self.network.device[row["wire"]][0]} if row["kind"] == "lead" else set()

    def shares(self, seen: Response, place: tuple[str, str]) -> Shares:
        """What each wire carries under a place."""
        total = np.abs(seen.total)
        t = np.ones((len(self.rows), len(total)))
        number = self.network.number
        for k, row in enumerate(self.rows):
            if row["kind"] == "segment":
                u, v, ohm = self.network.half_at[row["node"], row["wire"]]
                t[k] = np.abs((seen.volts[u] - seen.volts[v]) / ohm) / total
            elif row["kind"] == "lead":
                node, siemens = self.network.device[row["wire"]]
                amps = seen.scale * siemens * seen.volts[number["node", node]]
                if place == ("device", row["wire"]):
                    amps = amps + seen.short
                t[k] = np.abs(amps) / total
            elif row["kind"] == "unmapped":
                here = place == ("unmapped", row["node"])
                t[k] = np.abs(seen.short) / total if here else 0.0
        at = [number["node", n] for n in self.loaded]
        draw = np.abs(seen.scale * self.network.load[at, None] * seen.volts[at]) / total
        return Shares(t, draw)

    def wrong_sets(self) -> list[tuple[list[int], float]]:
        """(readings that are right, factor) for each set of at most two wrong ones."""
        every = range(len(self.y))
        sets = []
        for size in range(min(2, len(self.y)) + 1):
            for wrong in combinations(every, size):
                right = [k for k in every if k not in wrong]
                factor = float(np.prod(self.wrong[list(wrong)])) * 0.94 ** len(right)
                sets.append((right, factor))
        return sets

    def covariance(self, shares: Shares) -> Floats:
        """Of n (k, k, C), the scale's part left out."""
        own = np.einsum("kn,ln,nc->klc", self.carries, self.carries, shares.draw**2)
        return self.fixed[:, :, None] + self.draw_weight * own

    def likelihood(self, seen: Response, shares: Shares, floor: Floats | float) -> Floats:
        """(C,): density of all readings. With the coil unknown, terms whose upper bound lies
        below ``floor`` (C,) are left out."""
        total = np.zeros(seen.total.shape)
        behind = self.z_source + 1.0 / seen.total
        noise = self.covariance(shares)
        for right, factor in self.wrong_sets():
            part = noise[np.ix_(right, right)]
            t = shares.t[right]
            if self.coil_ohm is None:
                total += self._coil_unknown(part, t, self.y[right], (behind, factor, floor))
            else:
                a0 = 1000.0 * self.v / np.abs(behind + self.coil_ohm)
                spread = (self.meter.scale_spread * a0) ** 2
                part = part + spread * t[:, None] * t[None, :]
                total += factor * gaussian(part, self.y[right, None] - a0 * t)
        return total

    def _coil_unknown(
        self, part: Floats, t: Floats, y: Floats, more: tuple[Complexes, float, Floats | float]
    ) -> Floats:
        """Integral over the coil: 3 angles, Gauss-Legendre in log|z| where it is not nothing."""
        behind, factor, floor = more
        if len(y) == 0:
            return np.full(behind.shape, factor)
        root, half_log = cholesky(part)
        white_t = forward(root, t)
        white_y = forward(root, np.broadcast_to(y[:, None], t.shape))
        a, b, c = (white_t**2).sum(0), (white_t * white_y).sum(0), (white_y**2).sum(0)
        best = np.where(a > 0, b / np.where(a > 0, a, 1.0), 0.0)
        peak = np.exp(-0.5 * (c - b * best) - half_log) / (2.0 * math.pi) ** (len(y) / 2)
        total = np.zeros(behind.shape)
        keep = np.flatnonzero(factor * peak > floor)
        if len(keep):
            moments = np.stack([a, best, peak])[:, keep]
            for ratio in COIL_X_OVER_R:
                turn = np.exp(1j * math.atan(ratio))
                total[keep] += factor / 3.0 * self._over_coil(moments, behind[keep], turn)
        return total

    def _over_coil(self, moments: Floats, behind: Complexes, turn: complex) -> Floats:
        a, best, peak = moments
        spread = self.meter.scale_spread
        # |best - A0| <= reach sqrt(1/a + spread^2 A0^2): beyond it is below exp(-reach^2 / 2).
        wide = 1.0 - (9.0 * spread) ** 2
        with np.errstate(divide="ignore", over="ignore"):
            width = np.sqrt(best**2 - wide * (best**2 - 81.0 / a))
        low_ma, high_ma = (best - width) / wide, (best + width) / wide
        middle, reach = math.log(COIL_MEDIAN_OHM), REACH * COIL_LOG_SPREAD
        low = np.clip(self._log_coil(high_ma, behind, turn), middle - reach, middle + reach)
        high = np.clip(self._log_coil(low_ma, behind, turn), middle - reach, middle + reach)
        nodes, weights = np.polynomial.legendre.leggauss(40)
        total = np.zeros(a.shape)
        for node, weight in zip(nodes, weights, strict=True):
            log_z = (low + high) / 2.0 + (high - low) / 2.0 * node
            a0 = 1000.0 * self.v / np.abs(behind + turn * np.exp(log_z))
            loose = 1.0 + a * (spread * a0) ** 2
            prior = ((log_z - middle) / COIL_LOG_SPREAD) ** 2
            total += weight * np.exp(-0.5 * (a * (best - a0) ** 2 / loose + prior)) / np.sqrt(loose)
        scale = (high - low) / 2.0 / (COIL_LOG_SPREAD * math.sqrt(2.0 * math.pi))
        return peak * scale * total

    def _log_coil(self, scale_ma: Floats, behind: Complexes, turn: complex) -> Floats:
        """log|z| of the coil that makes A0 this; minus infinity where none does."""
        ohm = 1000.0 * self.v / np.maximum(scale_ma, 1e-6)
        along = (behind * np.conj(turn)).real
        inside = along**2 - np.abs(behind) ** 2 + ohm**2
        size = np.sqrt(np.maximum(inside, 0.0)) - along
        return np.log(np.maximum(size, 1e-12))


def cholesky(matrix: Floats) -> tuple[list[list[Floats]], Floats]:
    """Lower factor of (k, k, C) by rows, and half the log determinant (C,)."""
    root: list[list[Floats]] = []
    half_log = np.zeros(matrix.shape[2])
    for i in range(len(matrix)):
        row: list[Floats] = []
        for j in range(i + 1):
            left = matrix[i, j] - sum(
                (row[m] * (root[j][m] if j < i else row[m]) for m in range(j)), np.zeros(())
            )
            row.append(np.sqrt(left) if i == j else left / root[j][j])
        root.append(row)
        half_log = half_log + np.log(row[i])
    return root, half_log


def forward(root: list[list[Floats]], right: Floats) -> Floats:
    """Solve L x = right (k, C)."""
    solved: list[Floats] = []
    for i, row in enumerate(root):
        left = right[i] - sum((row[m] * solved[m] for m in range(i)), np.zeros(()))
        solved.append(left / row[i])
    return np.array(solved).reshape(right.shape)


def gaussian(matrix: Floats, residual: Floats) -> Floats:
    """Density (C,) of residuals (k, C) with covariance (k, k, C); 1 where k = 0."""
    if len(residual) == 0:
        return np.ones(matrix.shape[2])
    root, half_log = cholesky(matrix)
    white = forward(root, residual)
    size = len(residual)
    return np.exp(-0.5 * (white**2).sum(0) - half_log) / (2.0 * math.pi) ** (size / 2.0)
