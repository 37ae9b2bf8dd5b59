"""Sums and shares of masses that are kept as logarithms."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def log_sum_rows(logs: FloatArray) -> FloatArray:
    """log of the sum of exponentials over the last axis of (n, m)."""
    top = logs.max(axis=1)
    return np.asarray(top + np.log(np.exp(logs - top[:, None]).sum(axis=1)))


def log_sum(logs: FloatArray) -> float:
    """log of the sum of all exponentials."""
    return float(log_sum_rows(logs.reshape(1, -1))[0])


def shares_of(logs: FloatArray) -> FloatArray:
    """The masses of logs (m,), normed."""
    mass = np.exp(logs - logs.max())
    return np.asarray(mass / mass.sum())
