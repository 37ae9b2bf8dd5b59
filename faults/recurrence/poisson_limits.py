"""Exact limits of a Poisson count and of its rate."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaincinv

from faults.recurrence.checked import (
    Floats,
    checked_amounts,
    checked_counts,
    checked_share,
    floats,
    same_length,
)


@dataclass(frozen=True, slots=True)
class Limits:
    """Lower and upper limits, one of each for each unit."""

    low: Floats
    high: Floats


def garwood_limits(counts: ArrayLike, level: float = 0.95) -> Limits:
    """Two-sided limits of Poisson means from counts, shape (n,).

    Low: χ²(a/2; 2k)/2, 0 for k = 0; high: χ²(1 − a/2; 2k + 2)/2, with a = 1 − level (Garwood,
    Biometrika 28, 1936). They cover with at least ``level``. O(distinct counts + n log n).

    Raises RecurrenceError for a count that is none, or a level outside (0, 1).
    """
    whole = checked_counts(counts)
    tail = 0.5 * (1.0 - checked_share(level, "level"))
    distinct, where = np.unique(whole, return_inverse=True)
    low = np.where(distinct > 0, gammaincinv(np.maximum(distinct, 1), tail), 0.0)
    high = floats(gammaincinv(distinct + 1.0, 1.0 - tail))
    return Limits(low[where], high[where])


def rate_limits(counts: ArrayLike, exposure: ArrayLike, level: float = 0.95) -> Limits:
    """Garwood limits of rates, in failures per unit of exposure, shape (n,).

    Without exposure a rate may be anything: 0 to infinity.
    """
    whole = checked_counts(counts)
    amounts = checked_amounts(exposure, "exposure")
    same_length(counts=whole, exposure=amounts)
    limits = garwood_limits(whole, level)
    bare = amounts == 0.0
    divisor = np.where(bare, 1.0, amounts)
    return Limits(
        np.where(bare, 0.0, limits.low / divisor), np.where(bare, np.inf, limits.high / divisor)
    )
