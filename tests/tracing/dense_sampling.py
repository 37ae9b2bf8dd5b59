"""The same posterior by sampling its nuisances, for paths whose coil is unknown.

What is sampled is the story, not its covariance: R, s, the coil, the scale's own error, a random
walk of drift and each node's own draw; readings are then independent. Where there are more than
two of them the last three are integrated out instead (they are linear and Gaussian), or too few
samples would come near. Points are scrambled Sobol sequences, scrambled anew for each batch and
place; the error is that of independent batches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtri
from scipy.stats import qmc

from tests.tracing.dense_network import Complexes, Floats, Response
from tests.tracing.dense_posterior import (
    CONTROLLER,
    HIDDEN,
    HIGH_OHM,
    LOW_OHM,
    NONE,
    OFF_SHARE,
    OTHER,
    OVERLOAD,
    OVERLOAD_MEAN,
    OVERLOAD_SPREAD,
    SOUND_SPREAD,
    DensePosterior,
    Known,
    Nodes,
    Observed,
    Place,
)
from tests.tracing.dense_readings import (
    COIL_LOG_SPREAD,
    COIL_MEDIAN_OHM,
    COIL_X_OVER_R,
    DRAW_SPREAD,
    DRIFT_PER_HOUR,
    Shares,
    gaussian,
)

NEAR_COIL = [0.03, 0.15]
PRIOR_SHARE = 0.2


@dataclass(frozen=True)
class Effort:
    """``batches`` of ``2 ** log2_points`` points for each place; as many values of s as
    ``2 ** log2_scales``."""

    batches: int = 8
    log2_points: int = 14
    log2_scales: int = 10


@dataclass(frozen=True)
class Sampled:
    """Chances, and their standard errors by independent batches."""

    chance: dict[Place, float]
    error: dict[Place, float]


def sampled_posterior(
    survey: dict[str, Any], observed: Observed, known: Known, effort: Effort, seed: int
) -> Sampled:
    """Chances of all places by sampling."""
    sampler = _Sampler(survey, observed, known, effort)
    rngs = np.random.default_rng([977, seed]).spawn(effort.batches)
    batches = [sampler.joint(rng) for rng in rngs]
    places = list(batches[0])
    table = np.array([[batch[place] for place in places] for batch in batches])
    total = table.sum(0)
    chance = total / total.sum()
    # The error of a ratio of means by the delta method.
    off = (table - chance * table.sum(1, keepdims=True)) / table.sum(1).mean()
    error = off.std(0, ddof=1) / math.sqrt(len(batches))
    return Sampled(
        dict(zip(places, map(float, chance), strict=True)),
        dict(zip(places, map(float, error), strict=True)),
    )


def sampled_within(
    survey: dict[str, Any], observed: Observed, known: Known, error: float, seed: int
) -> Sampled:
    """Chances by sampling, with more points until no standard error passes ``error``, or as
    many as are bearable."""
    # Up to two readings every nuisance is sampled, which takes more points.
    first = 15 if 1 <= len(observed.readings) <= 2 else 13
    for log2_points in range(first, 18, 2):
        effort = Effort(log2_points=log2_points)
        sampled = sampled_posterior(survey, observed, known, effort, seed)
        if max(sampled.error.values()) < error:
            break
    return sampled


class _Sampler:
    def __init__(
        self, survey: dict[str, Any], observed: Observed, known: Known, effort: Effort
    ) -> None:
        # For the circuit, the priors and the looks, none of which the coil touches.
        self.dense = DensePosterior(survey, observed, known, Nodes(scale_panels=1))
        self.network, self.readings = self.dense.network, self.dense.readings
        self.looks, self.effort = self.dense.looks, effort
        self.y = self.readings.y
        self.minutes = np.array([row["at_min"] for row in observed.readings])

    def joint(self, rng: np.random.Generator) -> dict[Place, float]:
        """One batch: prior times mean likelihood of everything."""
        columns = 2**self.effort.log2_scales
        off = round(OFF_SHARE * columns)
        x = ndtri(_strata(rng, columns - off))
        scales = np.append(np.zeros(off), np.exp(SOUND_SPREAD * x))
        on = (1.0 - OFF_SHARE) / (columns - off)
        mass = np.append(np.full(off, OFF_SHARE / off), np.full(columns - off, on))
        inverses = self.network.inverses(scales)
        joint = self._apart(rng)
        for places, prior in self._alike():
            points = self._points(rng)
            # Points in the order of their first coordinate share the values of s in order.
            points = points[:, np.argsort(points[0])].reshape(len(points), columns, -1)
            points = points.swapaxes(1, 2)
            ohm = LOW_OHM * np.exp(math.log(HIGH_OHM / LOW_OHM) * points[1])
            seen = self.network.shorted(self.dense.vertex(places[0]), ohm, scales, inverses)
            current = self.looks.current_ma(seen)
            factor = self.looks.of_current(current) * self.looks.report(current)
            weight = np.tile(mass, len(ohm)) / len(ohm) * factor
            read = self._read(points.reshape(len(points), -1), seen, places[0])
            value = float(weight @ read)
            joint |= {p: each * value for p, each in zip(places, prior, strict=True)}
        return joint

    def _points(self, rng: np.random.Generator) -> Floats:
        """(coordinates, points): s, R, the coil's four, then the scale, drift and draws."""
        count = 6 + (1 + len(self.y) + len(self.readings.loaded)) * (len(self.y) <= 2)
        points = qmc.Sobol(count, rng=rng).random_base2(self.effort.log2_points)
        return np.asarray(np.clip(points.T, 1e-12, 1.0 - 1e-12))

    def _alike(self) -> list[tuple[list[Place], list[float]]]:
        """Places that no reading parts, and their priors: those of one vertex but for the ones
        whose own wire was clamped."""
        own = {("device", r["wire"]) for r in self.readings.rows if r["kind"] == "lead"}
        own |= {("unmapped", r["node"]) for r in self.readings.rows if r["kind"] == "unmapped"}
        prior = self.dense.prior()
        groups: dict[tuple[int, Place | None], list[Place]] = {}
        for place in prior:
            key = (self.dense.vertex(place), place if place in own else None)
            groups.setdefault(key, []).append(place)
        return [(places, [prior[p] for p in places]) for places in groups.values()]

    def _apart(self, rng: np.random.Generator) -> dict[Place, float]:
        nobody = ("none", "")
        points = self._points(rng)
        seen = self.network.sound(np.exp(SOUND_SPREAD * ndtri(points[0])))
        read = self._read(points, seen, nobody) / points.shape[1]
        current, looks = self.looks.current_ma(seen), self.looks
        points = self._points(rng)
        over = self.network.sound(np.exp(OVERLOAD_MEAN + OVERLOAD_SPREAD * ndtri(points[0])))
        much = looks.current_ma(over)
        trips = self._read(points, over, nobody) * looks.overload(much) * looks.of_current(much)
        of_any = self.readings.top ** -len(self.y)
        return {
            nobody: NONE * 0.3 * float(read @ looks.of_current(current)),
            ("controller", ""): CONTROLLER * looks.controller * float(read.sum()),
            ("hidden", ""): HIDDEN * looks.hidden * float(read.sum()),
            ("overload", ""): OVERLOAD * float(trips.mean()),
            ("other", ""): OTHER * looks.hidden * of_any,
        }

    def _read(self, points: Floats, seen: Response, place: Place) -> Floats:
        """(C,): the readings' likelihood over the density of the sampled coil."""
        if len(self.y) == 0:
            return np.ones(len(seen.total))
        shares = self.readings.shares(seen, place)
        behind = self.readings.z_source + 1.0 / seen.total
        a0, weight = self._coil(points[2:6], behind, shares.t)
        if len(self.y) <= 2:
            return weight * self._told(ndtri(points[6:]), shares, a0)
        return weight * self._integrated(shares, a0)

    def _coil(self, points: Floats, behind: Complexes, t: Floats) -> tuple[Floats, Floats]:
        """A0 of a sampled coil and the weight of the sample: from the prior, or near what one of
        the readings says if it is right; the mixture keeps the weight bounded."""
        every = np.arange(len(behind))
        ratio = np.array(COIL_X_OVER_R)[(3.0 * points[0]).astype(int)]
        turn = np.exp(1j * np.arctan(ratio))
        middle = math.log(COIL_MEDIAN_OHM)
        along = (behind * np.conj(turn)).real
        near = []
        for k in np.flatnonzero(self.y > 5.0):
            ohm = 1000.0 * self.readings.v / (self.y[k] / np.maximum(t[k], 1e-9))
            size = np.sqrt(np.maximum(along**2 - abs(behind) ** 2 + ohm**2, 0.0)) - along
            near.append(np.clip(np.log(np.maximum(size, 1e-9)), middle - 2.0, middle + 2.0))
        centres = np.array([np.full(len(behind), middle), *near])
        which = np.where(points[1] < PRIOR_SHARE, 0, 1 + (points[2] * len(near)).astype(int))
        which = which if near else np.zeros(len(behind), dtype=int)
        wide = ndtri(points[3])
        # Near a reading half of the samples are close to it and half are not.
        close = points[1] < (1.0 + PRIOR_SHARE) / 2.0
        spread = np.where(which == 0, COIL_LOG_SPREAD, np.where(close, *NEAR_COIL))
        log_z = centres[which, every] + spread * wide
        prior = _normal(log_z, middle, COIL_LOG_SPREAD)
        mixed = prior
        if near:
            around = sum(_normal(log_z, c, d) for c in near for d in NEAR_COIL) / (2 * len(near))
            mixed = PRIOR_SHARE * prior + (1.0 - PRIOR_SHARE) * around
        a0 = 1000.0 * self.readings.v / np.abs(behind + turn * np.exp(log_z))
        return a0, prior / mixed

    def _told(self, normal: Floats, shares: Shares, a0: Floats) -> Floats:
        """Everything sampled: the scale, the walk of drift, the draws; then each reading."""
        scale = a0 * (1.0 + self.readings.meter.scale_spread * normal[0])
        own = normal[1 + len(self.y) :] * DRAW_SPREAD * self.y.max() * shares.draw
        walk = np.zeros(len(a0))
        drift = np.zeros(shares.t.shape)
        before = 0.0
        for k in np.argsort(self.minutes):
            hours = (self.minutes[k] - before) / 60.0
            walk = walk + DRIFT_PER_HOUR * math.sqrt(hours) * normal[1 + k]
            drift[k], before = walk * self.y[k], self.minutes[k]
        mean = scale * shares.t + drift + self.readings.carries @ own
        right = 0.94 * _normal(self.y[:, None], mean, np.sqrt(self._alone())[:, None])
        return np.asarray((right + self.readings.wrong[:, None]).prod(0))

    def _integrated(self, shares: Shares, a0: Floats) -> Floats:
        """What the scale, the drift's steps and the draws push each reading by, a column for
        each; readings are their sum and their own noise."""
        order = np.argsort(self.minutes)
        steps = np.diff(np.append(0.0, self.minutes[order])) / 60.0
        after = self.minutes[:, None] >= self.minutes[order][None, :]
        walk = DRIFT_PER_HOUR * self.y[:, None] * after * np.sqrt(steps)
        count = len(a0)
        draws = self.readings.carries[:, :, None] * shares.draw[None] * DRAW_SPREAD * self.y.max()
        gain = (self.readings.meter.scale_spread * a0 * shares.t)[:, None, :]
        columns = np.concatenate(
            [gain, draws, np.broadcast_to(walk[:, :, None], (*walk.shape, count))], 1
        )
        whole = np.einsum("kdc,ldc->klc", columns, columns) + np.diag(self._alone())[:, :, None]
        off = self.y[:, None] - a0 * shares.t
        total = np.zeros(count)
        for right, factor in self.readings.wrong_sets():
            total += factor * gaussian(whole[np.ix_(right, right)], off[right])
        return total

    def _alone(self) -> Floats:
        stray = [9.0 * (row["kind"] == "unmapped") for row in self.readings.rows]
        return self.readings.meter.variance_ma2(self.y) + np.array(stray)


def _strata(rng: np.random.Generator, count: int) -> Floats:
    return (np.arange(count) + rng.random(count)) / count


def _normal(x: Floats, mean: Floats | float, spread: Floats | float) -> Floats:
    z = (x - mean) / spread
    return np.asarray(np.exp(-0.5 * z * z) / (spread * math.sqrt(2.0 * math.pi)))
