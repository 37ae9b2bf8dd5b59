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
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from faults.tracing.assumptions import Assumptions, Slips
from faults.tracing.problem import Meter

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
ScalePrior = Callable[[FloatArray, FloatArray, NDArray[np.intp] | slice], FloatArray]
"""(best A, its variance from the readings, which hypotheses) -> log density of the scale's
prior there; hypotheses are flat."""

ALL = slice(None)

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

    def log_density(
        best: FloatArray, variance: FloatArray, which: NDArray[np.intp] | slice
    ) -> FloatArray:
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
    weight = len(beliefs.coil_x_over_r) * beliefs.coil_log_spread * math.sqrt(2.0 * math.pi)

    def log_density(
        best: FloatArray, variance: FloatArray, which: NDArray[np.intp] | slice
    ) -> FloatArray:
        vague = (best <= 0.0) | (variance > (0.2 * best) ** 2)
        safe = np.where(vague, 1.0, best)
        reach = (1000.0 * source_v) / safe
        square = reach * reach
        density = np.zeros_like(reach)
        for ahead, aside in zip(along, across, strict=True):
            root = np.sqrt(np.maximum(square - aside[which], 1e-9))
            rho = np.maximum(root - ahead[which], 1e-3)
            off = np.log(rho / beliefs.coil_median_ohm) / beliefs.coil_log_spread
            density += np.exp(-0.5 * off * off) / (rho * root)
        sharp = np.log(density * square / (safe * weight) + _TINY)
        if vague.any():
            sharp = np.where(vague, broad(best, variance, which), sharp)
        return np.asarray(sharp)

    return log_density


@dataclass(frozen=True, slots=True)
class _Moments:
    """a, b, c and log det for every hypothesis, readings in or left out."""

    a: FloatArray
    b: FloatArray
    c: float | FloatArray
    log_det: float | FloatArray
    floor: float


def log_likelihood(
    ratios: FloatArray,
    noise: ReadingNoise,
    scale: ScalePrior,
    *,
    doubt: float = 2.0,
    reuse_within: float = 0.01,
) -> FloatArray:
    """log p(readings | hypothesis) for ratios (k, ...); at most two readings are slips.

    A second slip is tried where one slip explains the readings better than none by ``doubt``,
    beside the reading that a slip explains best.
    ``reuse_within``: leaving a reading out that moves the scale by less than this keeps the
    density of the scale's prior as it was (0: never).
    """
    count = len(noise.current_ma)
    shape = ratios.shape[1:]
    t = ratios.reshape(count, -1)
    precision: FloatArray = np.asarray(np.linalg.inv(noise.covariance), dtype=np.float64)
    sign, log_det = np.linalg.slogdet(2.0 * math.pi * noise.covariance)
    if sign <= 0:
        raise ValueError("the covariance of the readings is not positive definite")
    u = precision @ t
    v = precision @ noise.current_ma
    base = _Moments(
        a=np.einsum("km,km->m", t, u),
        b=noise.current_ma @ u,
        c=float(noise.current_ma @ v),
        log_det=float(log_det),
        floor=1e-10 * float(np.trace(precision)),
    )
    whole = _Gaussian(base, scale, reuse_within)
    terms = [whole.log + count * noise.sound_log]
    best = np.full(t.shape[1], -np.inf)
    worst = np.zeros(t.shape[1], dtype=np.intp)
    for j in range(count):
        left = whole.left(_without_one(base, u, v, precision, j))
        left += (count - 1) * noise.sound_log + noise.slip_log[j]
        worst[left > best] = j
        np.maximum(best, left, out=best)
        terms.append(left)
    total = _log_sum(terms)
    doubtful = np.flatnonzero(best > terms[0] + doubt)
    if count > 2 and len(doubtful):
        some = _Moments(base.a[doubtful], base.b[doubtful], base.c, base.log_det, base.floor)
        part = whole.picked(doubtful)
        total[doubtful] = np.logaddexp(
            total[doubtful],
            _second_slips(part, some, u[:, doubtful], precision, noise, worst[doubtful]),
        )
    return total.reshape(shape)


def _second_slips(
    part: _Gaussian,
    base: _Moments,
    u: FloatArray,
    precision: FloatArray,
    noise: ReadingNoise,
    first: NDArray[np.intp],
) -> FloatArray:
    """log likelihood with two slips: the reading that a slip explains best (``first``, one for
    each hypothesis), and any other beside it."""
    count = len(noise.current_ma)
    v = precision @ noise.current_ma
    terms = []
    for i in range(count):
        left = part.left(_without_two(base, u, v, precision, first, i))
        left += (count - 2) * noise.sound_log + noise.slip_log[i] + noise.slip_log[first]
        left[first == i] = -np.inf
        terms.append(left)
    return _log_sum(terms)


class _Gaussian:
    """The likelihood with the scale integrated out, of all readings and of all but some."""

    def __init__(self, base: _Moments, scale: ScalePrior, reuse_within: float) -> None:
        self.scale = scale
        self.reuse_within = reuse_within
        self.best, self.log = self._fit(base)
        self.prior = scale(self.best, self._variance(base), ALL)
        self.log += self.prior

    def left(self, moments: _Moments) -> FloatArray:
        """The likelihood of the readings that are left; without any it is 1."""
        best, log = self._fit(moments)
        known = moments.a > moments.floor
        if self.reuse_within > 0.0:
            near = np.abs(best - self.best) < self.reuse_within * np.abs(self.best)
            prior = self.prior.copy()
            which = np.flatnonzero(known & ~near)
        else:
            prior = np.zeros_like(self.prior)
            which = np.flatnonzero(known)
        prior[which] = self.scale(best[which], self._variance(moments)[which], which)
        blind = -0.5 * (moments.c + moments.log_det)
        return np.where(known, log + prior, blind)

    def picked(self, which: NDArray[np.intp]) -> _Gaussian:
        """The same for some hypotheses."""
        part = object.__new__(_Gaussian)
        part.reuse_within = self.reuse_within
        part.best, part.log, part.prior = self.best[which], self.log[which], self.prior[which]

        def scale(
            best: FloatArray, variance: FloatArray, inner: NDArray[np.intp] | slice
        ) -> FloatArray:
            return self.scale(best, variance, which[inner])

        part.scale = scale
        return part

    @staticmethod
    def _variance(moments: _Moments) -> FloatArray:
        return np.asarray(1.0 / np.maximum(moments.a, moments.floor))

    @staticmethod
    def _fit(moments: _Moments) -> tuple[FloatArray, FloatArray]:
        a = np.maximum(moments.a, moments.floor)
        best = moments.b / a
        log = 0.5 * (moments.b * best - moments.c - moments.log_det - np.log(a / (2.0 * math.pi)))
        return best, np.asarray(log)


def _without_one(
    base: _Moments, u: FloatArray, v: FloatArray, precision: FloatArray, j: int
) -> _Moments:
    p = float(precision[j, j])
    return _Moments(
        a=base.a - u[j] ** 2 / p,
        b=base.b - u[j] * (v[j] / p),
        c=base.c - float(v[j]) ** 2 / p,
        log_det=base.log_det + math.log(p / (2.0 * math.pi)),
        floor=base.floor,
    )


def _without_two(
    base: _Moments,
    u: FloatArray,
    v: FloatArray,
    precision: FloatArray,
    first: NDArray[np.intp],
    i: int,
) -> _Moments:
    """Without reading ``i`` and one more, ``first`` (m,), for each hypothesis its own."""
    p_f, p_i, p_c = precision[first, first], precision[i, i], precision[first, i]
    same = first == i
    det = np.where(same, 1.0, p_f * p_i - p_c * p_c)
    u_f, u_i = u[first, np.arange(len(first))], u[i]
    v_f, v_i = v[first], v[i]
    a = (p_i * u_f * u_f - 2.0 * p_c * u_f * u_i + p_f * u_i * u_i) / det
    b = (p_i * u_f * v_f - p_c * (u_f * v_i + u_i * v_f) + p_f * u_i * v_i) / det
    c = (p_i * v_f * v_f - 2.0 * p_c * v_f * v_i + p_f * v_i * v_i) / det
    return _Moments(
        a=base.a - a,
        b=base.b - b,
        c=base.c - c,
        log_det=base.log_det + np.log(det / (2.0 * math.pi) ** 2),
        floor=base.floor,
    )


def _log_sum(terms: list[FloatArray]) -> FloatArray:
    top = np.maximum(terms[0], -1e300)
    for term in terms[1:]:
        np.maximum(top, term, out=top)
    total = np.zeros_like(top)
    for term in terms:
        total += np.exp(term - top)
    return np.asarray(top + np.log(total))
