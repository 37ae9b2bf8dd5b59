"""Confidence limits for the tables."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import beta, t

CONFIDENCE = 0.95


def at_least(successes: int, trials: int) -> float:
    """One-sided lower 95 % limit of a share (Clopper and Pearson, Biometrika 26, 1934)."""
    if successes == 0:
        return 0.0
    return float(beta.ppf(1.0 - CONFIDENCE, successes, trials - successes + 1))


def at_most(successes: int, trials: int) -> float:
    """One-sided upper 95 % limit of a share (Clopper and Pearson, Biometrika 26, 1934)."""
    if successes == trials:
        return 1.0
    return float(beta.ppf(CONFIDENCE, successes + 1, trials - successes))


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean with its two-sided 95 % limits; nan where there are too few values."""

    count: int
    mean: float
    low: float
    high: float


def mean_of(values: Sequence[float]) -> Mean:
    """Mean with 95 % limits by Student's t; the values are taken as independent."""
    count = len(values)
    if count < 2:
        only = float(values[0]) if count else math.nan
        return Mean(count, only, math.nan, math.nan)
    mean = float(np.mean(values))
    half = float(t.ppf(0.5 + CONFIDENCE / 2.0, count - 1) * np.std(values, ddof=1) / count**0.5)
    return Mean(count, mean, mean - half, mean + half)


def exponent(sizes: Sequence[float], times: Sequence[float]) -> float:
    """Slope of log time over log size by least squares."""
    slope, _ = np.polyfit(np.log(sizes), np.log(times), 1)
    return float(slope)
