"""How well readings fit predictions: correlated noise, one common scale, slips.

With readings y (k,), predicted ratios t (k, ...) and noise covariance Sigma (k, k):
y = A t + n, where the scale A carries coil, source and the meter's gain. For given t the
likelihood in A is Gaussian with a = t'Pt, b = t'Py, c = y'Py, P = Sigma^-1, so

    log p(y | t) = -(c - b^2/a)/2 - log(a)/2 + log(2 pi)/2 - log det(2 pi Sigma)/2 + log p(A = b/a)

where p(A), widened by 1/a, is the prior of the scale. A reading that was a slip is left out of
the Gaussian part, a rank-one downdate: a - u_j^2/P_jj with u = P t (Sherman-Morrison).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from faults.tracing.assumptions import Assumptions, Slips
from faults.tracing.problem import Meter

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
IndexArray = NDArray[np.intp]
Cells = IndexArray | slice
ScalePrior = Callable[[FloatArray, FloatArray, Cells], FloatArray]
"""(best A, its variance from the readings, which hypotheses) -> log density of the scale's
prior there; hypotheses are flat, and the last axis of what is given."""

BLOCK = 20_000
"""Numbers that are worked on at a time."""

SILENT_MA = 5.0
"""A reading below this may well be of both conductors together."""

NOTHING = -80.0
"""Logarithm of a share that no sum of floats feels."""

_TINY = 1e-300


@dataclass(frozen=True, slots=True)
class ReadingNoise:
    """Readings and their noise: ``current_ma`` (k,), ``covariance`` (k, k) in mA^2.

    ``slip_log`` (k,) is the log of a slip's chance and density, ``sound_log`` that of a reading
    being right; ``top_ma`` is the most that a reading of anything may be.
    """

    current_ma: FloatArray
    covariance: FloatArray
    slip_log: FloatArray
    sound_log: float
    top_ma: float


PICK_UP_MA = 0.3
LENGTH_SHARE = 0.005
"""Spreads of what no meter takes away: pick-up, and lengths and gauges that are not quite those
of the map (common practice, no source)."""


def reading_variance(meter: Meter, current_ma: FloatArray) -> FloatArray:
    """Variance of single readings: uniform within ± counts, then rounded; pick-up, lengths."""
    counts = meter.counts * meter.resolution_ma
    fixed = counts**2 / 3.0 + meter.resolution_ma**2 / 12.0 + PICK_UP_MA**2
    return np.asarray(fixed + (LENGTH_SHARE * current_ma) ** 2)


def meter_spread_ma(meter: Meter) -> float:
    """Standard deviation of a reading of nearly nothing."""
    return math.sqrt(float(reading_variance(meter, np.zeros(1))[0]))


def slip_log_density(current_ma: FloatArray, slips: Slips, top_ma: float) -> FloatArray:
    """log of (chance of a slip x density of the reading given one); the same for every place."""
    near = np.exp(-0.5 * (current_ma / slips.near_zero_ma) ** 2)
    near *= slips.both_conductors * 2.0 / (slips.near_zero_ma * math.sqrt(2.0 * math.pi))
    anything = slips.anything / top_ma
    return np.asarray(np.log(near + anything))


def fixed_scale(
    source_v: float, series_ohm: complex, input_ohm: ComplexArray, spread: float
) -> ScalePrior:
    """Coil known: A = V / |Z_series + Z_in|, within a relative ``spread``. Milliamperes."""
    nominal = (1000.0 * source_v / np.abs(series_ohm + input_ohm)).reshape(-1)
    width = (spread * nominal) ** 2

    def log_density(best: FloatArray, variance: FloatArray, which: Cells) -> FloatArray:
        total = width[which] + variance
        off = best - nominal[which]
        return np.asarray(-0.5 * (off * off / total + np.log(2.0 * math.pi * total)))

    return log_density


def unknown_coil_scale(
    source_v: float, source_ohm: complex, input_ohm: ComplexArray, beliefs: Assumptions
) -> ScalePrior:
    """Coil unknown: log|Z_coil| normal, its X/R one of a few; the density of A that follows.

    For an angle, |Z' + rho e^(j phi)| = V / A is a quadratic in rho; p(A) = p(rho) |d rho / dA|.
    Exact but for the width of the readings themselves, which is small beside the prior's; where
    they hardly speak of A it is taken as normal around the median coil's.
    """
    behind = (source_ohm + input_ohm).reshape(-1)
    across = []
    along = []
    for x_over_r in beliefs.coil_x_over_r:
        turned = behind * complex(1.0, -x_over_r) / math.hypot(1.0, x_over_r)
        along.append(turned.real)
        across.append(turned.imag**2)
    middle = source_ohm + beliefs.median_coil_ohm
    broad = fixed_scale(source_v, middle, input_ohm, beliefs.coil_log_spread)
    middle_log = math.log(beliefs.coil_median_ohm)
    narrow = math.sqrt(0.5) / beliefs.coil_log_spread
    weight = len(beliefs.coil_x_over_r) * beliefs.coil_log_spread * math.sqrt(2.0 * math.pi)

    def log_density(best: FloatArray, variance: FloatArray, which: Cells) -> FloatArray:
        vague = (best <= 0.0) | (variance > (0.2 * best) ** 2)
        safe = np.where(vague, 1.0, best)
        reach = (1000.0 * source_v) / safe
        square = reach * reach
        density = np.zeros_like(reach)
        for ahead, aside in zip(along, across, strict=True):
            # In place: this is where the time of a trace with an unknown coil goes.
            root = square - aside[which]
            np.sqrt(np.maximum(root, 1e-9, out=root), out=root)
            rho = root - ahead[which]
            np.maximum(rho, 1e-3, out=rho)
            root *= rho
            off = np.log(rho, out=rho)
            off -= middle_log
            off *= narrow
            off *= off
            share = np.exp(np.negative(off, out=off), out=off)
            share /= root
            density += share
        sharp = np.log(density * square / (safe * weight) + _TINY)
        if vague.any():
            sharp = np.where(vague, broad(best, variance, which), sharp)
        return np.asarray(sharp)

    return log_density


@dataclass(frozen=True, slots=True)
class _Moments:
    """a, b (m,), c and log det of m hypotheses, all readings in or some left out.

    ``u`` (k, m), ``v`` (k,) and ``own`` (k,), the diagonal of P, are of the readings still in;
    with no more than ``floor`` of a these say nothing of the scale.
    """

    a: FloatArray
    b: FloatArray
    c: float | FloatArray
    log_det: float | FloatArray
    u: FloatArray
    v: FloatArray
    own: FloatArray
    floor: float

    def without(self, j: int, precision: FloatArray) -> _Moments:
        """Reading ``j`` left out."""
        lean = precision[:, j] / precision[j, j]
        still = np.arange(len(self.v)) != j
        return replace(
            self,
            a=self.a - self.u[j] ** 2 / self.own[j],
            b=self.b - self.u[j] * (self.v[j] / self.own[j]),
            c=self.c - self.v[j] ** 2 / self.own[j],
            log_det=self.log_det + math.log(self.own[j] / (2.0 * math.pi)),
            u=self.u[still] - lean[still, None] * self.u[j],
            v=self.v[still] - lean[still] * self.v[j],
            own=self.own[still] - lean[still] * precision[still, j],
        )

    def without_each(self) -> _Moments:
        """Each reading in turn left out: a, b (k, m), c and log det (k, 1)."""
        share = self.u / self.own[:, None]
        return replace(
            self,
            a=self.a - share * self.u,
            b=self.b - share * self.v[:, None],
            c=(self.c - self.v**2 / self.own)[:, None],
            log_det=(self.log_det + np.log(self.own / (2.0 * math.pi)))[:, None],
        )

    def log_likelihood(self, scale: ScalePrior, cells: Cells) -> FloatArray:
        """With the scale integrated out; where nothing tells of it, that of no reading."""
        tells = self.a > self.floor
        a = np.maximum(self.a, self.floor)
        best = self.b / a
        fixed = self.c + self.log_det - math.log(2.0 * math.pi)
        log = 0.5 * (self.b * best - np.log(a) - fixed) + scale(best, 1.0 / a, cells)
        if not tells.all():
            log = np.where(tells, log, -0.5 * (self.c + self.log_det))
        return np.asarray(log)


@dataclass(frozen=True, slots=True)
class _Readings:
    """The readings y: P, P y, y'P y and log det(2 pi Sigma)."""

    current_ma: FloatArray
    precision: FloatArray
    v: FloatArray
    c: float
    log_det: float

    @staticmethod
    def of(noise: ReadingNoise) -> _Readings:
        """Raises ValueError for a covariance that is none."""
        sign, log_det = np.linalg.slogdet(2.0 * math.pi * noise.covariance)
        if sign <= 0:
            raise ValueError("the covariance of the readings is not positive definite")
        precision: FloatArray = np.asarray(np.linalg.inv(noise.covariance), dtype=np.float64)
        v = precision @ noise.current_ma
        return _Readings(noise.current_ma, precision, v, float(noise.current_ma @ v), log_det)

    def moments(self, t: FloatArray) -> _Moments:
        """Of hypotheses with the ratios ``t`` (k, m)."""
        u = self.precision @ t
        return _Moments(
            a=np.einsum("km,km->m", t, u),
            b=self.current_ma @ u,
            c=self.c,
            log_det=self.log_det,
            u=u,
            v=self.v,
            own=np.diag(self.precision),
            floor=1e-10 * float(np.trace(self.precision)),
        )


def log_likelihood(
    ratios: FloatArray, noise: ReadingNoise, scale: ScalePrior, *, doubt: float = 2.0
) -> FloatArray:
    """log p(readings | hypothesis) for ratios (k, ...); at most two readings are slips.

    A second slip is tried where one slip explains the readings better than none by ``doubt``:
    beside the reading that a slip explains best, and, where that one is not near zero, beside
    the near zero that the hypothesis has most against. Two of these hide each other: with
    either one left out the other still speaks, and a third reading looks the worse.
    """
    count = len(noise.current_ma)
    t = ratios.reshape(count, -1)
    readings = _Readings.of(noise)
    slipped = noise.slip_log[:, None] - noise.sound_log
    total = np.empty(t.shape[1])
    # The readings beside which a second slip is tried, -1 for none.
    first = np.full(t.shape[1], -1)
    hidden = np.full(t.shape[1], -1)
    zeros = np.flatnonzero(noise.current_ma < SILENT_MA)
    for block in _blocks(t.shape[1], count):
        moments = readings.moments(t[:, block])
        none = moments.log_likelihood(scale, block)
        one = moments.without_each().log_likelihood(scale, block) + slipped
        total[block] = _log_sum(none, one)
        doubtful = np.flatnonzero(one.max(axis=0) > none + doubt)
        best = one[:, doubtful].argmax(axis=0)
        first[block][doubtful] = best
        if len(zeros) > 1:
            most = zeros[t[zeros[:, None], block.start + doubtful].argmax(axis=0)]
            hidden[block][doubtful] = np.where(np.isin(best, zeros), -1, most)
    for j in range(count if count > 2 else 0):
        for which, with_first in (
            (np.flatnonzero(first == j), False),
            (np.flatnonzero(hidden == j), True),
        ):
            for block in _blocks(len(which), count):
                cells = which[block]
                left = readings.moments(t[:, cells]).without(j, readings.precision)
                two = left.without_each().log_likelihood(scale, cells)
                two += np.delete(slipped, j, axis=0) + slipped[j]
                if with_first:
                    # That pair has been counted beside the first.
                    row = first[cells] - (first[cells] > j)
                    two[row, np.arange(len(cells))] = -np.inf
                total[cells] = _log_sum(total[cells], two)
    return (total + count * noise.sound_log).reshape(ratios.shape[1:])


def _blocks(size: int, count: int) -> Iterator[slice]:
    """0 to ``size`` a few at a time, so that ``count`` numbers of each stay in the cache."""
    room = max(1, BLOCK // count)
    for start in range(0, size, room):
        yield slice(start, start + room)


def _log_sum(one: FloatArray, more: FloatArray) -> FloatArray:
    """log of the sum of exponentials of ``one`` (m,) and of each of ``more`` (k, m)."""
    top = np.maximum(np.maximum(one, more.max(axis=0)), -1e300)
    # What is nothing beside the top is held at nearly nothing: exp is slow where it underflows.
    added = np.exp(np.maximum(more - top, NOTHING)).sum(axis=0)
    return np.asarray(top + np.log(np.exp(np.maximum(one - top, NOTHING)) + added))
