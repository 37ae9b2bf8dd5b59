"""The same posterior by sampling its nuisances, for paths whose coil is unknown.

What is sampled is the story, not its covariance: R, s, the coil, the scale's own error, a random
walk of drift and each node's own draw; readings are then independent. Where there are more than
two of them the last three are integrated out instead (they are linear and Gaussian), or too few
samples would come near. R and s are jittered strata. The error is that of independent batches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtri

from tests.tracing.dense_network import Complexes, Floats, Response
from tests.tracing.dense_posterior import (
    HIDDEN,
    HIGH_OHM,
    LOW_OHM,
    NONE,
    OFF_SHARE,
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
    """``batches`` of ``scales`` strata of s with ``resistances`` strata of R for each, every cell
    drawn ``repeats`` times."""

    batches: int = 8
    scales: int = 1000
    resistances: int = 16
    repeats: int = 1


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
        effort = self.effort
        off = round(OFF_SHARE * effort.scales)
        x = ndtri(_strata(rng, effort.scales - off))
        scales = np.append(np.exp(SOUND_SPREAD * x), np.zeros(off))
        inverses = self.network.inverses(scales)
        joint = self._apart(rng)
        for place, prior in self.dense.prior().items():
            ohm = np.concatenate(
                [_resistances(rng, effort.resistances, n) for n in (len(x), off)], 1
            )
            seen = self.network.shorted(self.dense.vertex(place), ohm, scales, inverses)
            current = self.looks.current_ma(seen)
            factor = self.looks.of_current(current) * self.looks.report(current)
            weight = factor / ohm.size
            joint[place] = prior * float(weight @ self._read(rng, seen, place))
        return joint

    def _apart(self, rng: np.random.Generator) -> dict[Place, float]:
        count = self.effort.scales * self.effort.resistances
        nobody = ("none", "")
        seen = self.network.sound(np.exp(SOUND_SPREAD * ndtri(_strata(rng, count))))
        read = self._read(rng, seen, nobody) / count
        current, looks = self.looks.current_ma(seen), self.looks
        heavy = OVERLOAD_MEAN + OVERLOAD_SPREAD * ndtri(_strata(rng, count))
        over = self.network.sound(np.exp(heavy))
        much = looks.current_ma(over)
        trips = self._read(rng, over, nobody) * looks.overload(much) * looks.of_current(much)
        of_any = self.readings.top ** -len(self.y)
        return {
            nobody: NONE * 0.3 * float(read @ looks.of_current(current)),
            ("controller", ""): 0.03 * looks.controller * float(read.sum()),
            ("hidden", ""): HIDDEN * looks.hidden * float(read.sum()),
            ("overload", ""): 0.02 * float(trips.mean()),
            ("other", ""): 0.01 * looks.hidden * of_any,
        }

    def _read(self, rng: np.random.Generator, seen: Response, place: Place) -> Floats:
        """(C,): mean likelihood of the readings in each cell."""
        if len(self.y) == 0:
            return np.ones(len(seen.total))
        shares = self.readings.shares(seen, place)
        behind = self.readings.z_source + 1.0 / seen.total
        made = np.zeros(len(behind))
        for _ in range(self.effort.repeats):
            a0, weight = self._coil(rng, behind, shares.t)
            if len(self.y) <= 2:
                made += weight * self._told(rng, shares, a0)
            else:
                made += weight * self._integrated(shares, a0)
        return made / self.effort.repeats

    def _coil(
        self, rng: np.random.Generator, behind: Complexes, t: Floats
    ) -> tuple[Floats, Floats]:
        """A0 of a sampled coil and the weight of the sample: from the prior, or near what one of
        the readings says if it is right; the mixture keeps the weight bounded."""
        count = len(behind)
        turn = np.exp(1j * np.arctan(rng.choice(COIL_X_OVER_R, count)))
        middle = math.log(COIL_MEDIAN_OHM)
        along = (behind * np.conj(turn)).real
        centres = [np.full(count, middle)]
        for k in np.flatnonzero(self.y > 5.0):
            ohm = 1000.0 * self.readings.v / (self.y[k] / np.maximum(t[k], 1e-9))
            size = np.sqrt(np.maximum(along**2 - abs(behind) ** 2 + ohm**2, 0.0)) - along
            near = np.clip(np.log(np.maximum(size, 1e-9)), middle - 2.0, middle + 2.0)
            centres += [near, near]
        spreads = [COIL_LOG_SPREAD, *(NEAR_COIL * (len(centres) // 2))]
        share = np.array([PRIOR_SHARE, *[1.0 - PRIOR_SHARE] * (len(centres) - 1)])
        share[1:] /= max(1, len(share) - 1)
        share /= share.sum()
        pick = rng.choice(len(centres), count, p=share)
        made = rng.standard_normal(count) * np.array(spreads)[pick]
        log_z = np.array(centres)[pick, np.arange(count)] + made
        mixed = sum(
            w * _normal(log_z, c, d) for w, c, d in zip(share, centres, spreads, strict=True)
        )
        weight = _normal(log_z, middle, COIL_LOG_SPREAD) / mixed
        return 1000.0 * self.readings.v / np.abs(behind + turn * np.exp(log_z)), weight

    def _told(self, rng: np.random.Generator, shares: Shares, a0: Floats) -> Floats:
        """Everything sampled: the scale, the walk of drift, the draws; then each reading."""
        spread = self.readings.meter.scale_spread
        scale = a0 * (1.0 + spread * rng.standard_normal(len(a0)))
        own = rng.standard_normal(shares.draw.shape) * DRAW_SPREAD * self.y.max() * shares.draw
        walk = np.zeros(len(a0))
        drift = np.zeros(shares.t.shape)
        before = 0.0
        for k in np.argsort(self.minutes):
            hours = (self.minutes[k] - before) / 60.0
            walk = walk + DRIFT_PER_HOUR * math.sqrt(hours) * rng.standard_normal(len(a0))
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


def _resistances(rng: np.random.Generator, rows: int, columns: int) -> Floats:
    """R (rows, columns), a stratum for each cell, paired with s at random."""
    x = rng.permutation(_strata(rng, rows * columns)).reshape(rows, columns)
    return LOW_OHM * np.asarray(np.exp(math.log(HIGH_OHM / LOW_OHM) * x))


def _normal(x: Floats, mean: Floats | float, spread: Floats | float) -> Floats:
    z = (x - mean) / spread
    return np.asarray(np.exp(-0.5 * z * z) / (spread * math.sqrt(2.0 * math.pi)))
