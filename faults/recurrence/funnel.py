"""Funnel limits: how far a small number may stray by chance, so that it is not blamed.

Exact limits with the discreteness interpolated: Spiegelhalter, Stat. Med. 24 (2005), appendix A.1.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import binom, poisson

from faults.recurrence.checked import (
    Floats,
    RecurrenceError,
    checked_amounts,
    checked_share,
    floats,
)

WARNING = 0.95
ALARM = 0.998
"""The usual two levels: about two and three standard deviations."""


@dataclass(frozen=True, slots=True)
class Funnel:
    """Limits at each size, shape (n,): of ratios to ``expected``, or of shares of ``trials``."""

    size: Floats
    low: Floats
    high: Floats


def ratio_funnel(expected: ArrayLike, level: float = WARNING) -> Funnel:
    """Limits of observed/expected where the observed is Poisson with mean ``expected``.

    Raises RecurrenceError where an expected number is not above 0.
    """
    size = checked_amounts(expected, "expected", above_zero=True)
    tail = 0.5 * (1.0 - checked_share(level, "level"))
    low, high = (
        _interpolated(poisson.ppf(share, size), lambda k: poisson.cdf(k, size), share) / size
        for share in (tail, 1.0 - tail)
    )
    return Funnel(size, low, high)


def share_funnel(trials: ArrayLike, target: float, level: float = WARNING) -> Funnel:
    """Limits of a share of ``trials`` where each succeeds with chance ``target``.

    Raises RecurrenceError where trials are no whole numbers above 0 or target is outside (0, 1).
    """
    size = checked_amounts(trials, "trials", above_zero=True)
    if np.any(size != np.floor(size)):
        raise RecurrenceError("trials: expected whole numbers")
    checked_share(target, "target")
    tail = 0.5 * (1.0 - checked_share(level, "level"))
    low, high = (
        _interpolated(binom.ppf(share, size, target), lambda k: binom.cdf(k, size, target), share)
        / size
        for share in (tail, 1.0 - tail)
    )
    return Funnel(size, low, high)


def _interpolated(
    quantile: ArrayLike, below: Callable[[Floats], ArrayLike], share: float
) -> Floats:
    """The quantile less the part of its own mass that lies above the share, at least 0."""
    at = floats(quantile)
    upper, lower = floats(below(at)), floats(below(at - 1.0))
    return np.maximum(at - (upper - share) / (upper - lower), 0.0)
