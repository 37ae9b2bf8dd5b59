"""Lives of parts: how long until the first failure, with those still alive counted as such.

A part's life begins when it is fitted and ends at its first failure. It is cut short, *censored*,
where the part is replaced sound or the watch ends. A part that was there before the watch began
has an unknown age and is left out, unless the history says when it was fitted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import ndtri

from faults.recurrence.checked import (
    Flags,
    Floats,
    TooFewFailures,
    checked_amounts,
    checked_share,
    same_length,
)


@dataclass(frozen=True, slots=True)
class Lives:
    """``age`` reached on the clock of exposure, and whether the life ``ended`` in a failure."""

    age: Floats
    ended: Flags


def part_lives(fitted: Sequence[float], failures: ArrayLike, end: float) -> Lives:
    """Lives of the parts that one place has had.

    fitted: clock readings when a part was fitted, rising; failures: clock readings of failures;
    end: of the watch. What was there before the first fitting is left out. A failure that leads
    to a fitting at the same reading ends the part before.
    """
    times = np.sort(checked_amounts(failures, "failures"))
    begins = np.sort(checked_amounts(fitted, "fitted"))
    ages, ended = [], []
    stops = np.append(begins[1:], end)[: len(begins)]
    for start, stop in zip(begins, stops, strict=True):
        own = times[(times > start) & (times <= stop)]
        if len(own):
            ages.append(own[0] - start)
            ended.append(True)
        elif stop > start:
            ages.append(stop - start)
            ended.append(False)
    return Lives(np.array(ages, dtype=np.float64), np.array(ended, dtype=np.bool_))


@dataclass(frozen=True, slots=True)
class WeibullFit:
    """S(t) = exp(−(t/η)^β): ``scale`` η, ``shape`` β.

    ``covariance``: of (ln η, ln β), from the observed information, shape (2, 2).
    """

    shape: float
    scale: float
    log_likelihood: float
    covariance: Floats

    def limits(self, level: float = 0.95) -> tuple[tuple[float, float], tuple[float, float]]:
        """Limits of β and of η, by the normal law of their logarithms: approximate."""
        z = float(ndtri(0.5 + 0.5 * checked_share(level, "level")))
        scale_by, shape_by = np.exp(z * np.sqrt(np.diag(self.covariance)))
        return (
            (self.shape / float(shape_by), self.shape * float(shape_by)),
            (self.scale / float(scale_by), self.scale * float(scale_by)),
        )


def fit_weibull(age: ArrayLike, ended: ArrayLike) -> WeibullFit:
    """Maximum likelihood with right censoring.

    The shape solves Σ t^β ln t / Σ t^β − 1/β = mean of ln t over failures; the left side rises in
    β, so there is one root. scipy's own fit with CensoredData finds the same by a general search,
    some hundred times slower (the tests hold one against the other).

    Raises TooFewFailures where fewer than two distinct ages ended in failure.
    """
    t, d = checked_amounts(age, "age", above_zero=True), np.asarray(ended, dtype=np.bool_)
    same_length(age=t, ended=d)
    failed = int(d.sum())
    if failed < 2 or len(np.unique(t[d])) < 2:
        raise TooFewFailures("age: a Weibull law needs failures at two ages or more")
    unit = float(t.max())  # powers of ages near 1 stay within range
    log_t = np.log(t / unit)
    goal = float(log_t[d].mean())

    def slope(shape: float) -> float:
        power = np.exp(shape * log_t)
        return float(np.sum(power * log_t) / np.sum(power)) - 1.0 / shape - goal

    high = 1.0
    while slope(high) < 0.0:
        high *= 2.0
    low = high
    while slope(low) > 0.0:
        low *= 0.5
    shape = float(brentq(slope, low, high, xtol=1e-13, rtol=1e-13)) if low < high else high
    power = np.exp(shape * log_t)
    scale = unit * float((power.sum() / failed) ** (1.0 / shape))
    logs = np.log(t / scale)
    power = np.exp(shape * logs)
    likelihood = failed * np.log(shape / scale) + (shape - 1.0) * logs[d].sum() - power.sum()
    return WeibullFit(shape, scale, float(likelihood), _covariance(shape, logs, power, d))


def _covariance(shape: float, logs: Floats, power: Floats, ended: Flags) -> Floats:
    """Inverse of the observed information in (ln η, ln β), at the top of the likelihood."""
    w = shape * logs
    scale_scale = shape**2 * power.sum()
    shape_shape = np.sum(power * w**2) + np.sum(power * w) - np.sum(w[ended])
    mixed = -shape * (np.sum(power * w) + power.sum() - ended.sum())
    information = np.array([[scale_scale, mixed], [mixed, shape_shape]])
    return np.asarray(np.linalg.inv(information), dtype=np.float64)
