"""Wet and storm time as covariates: how much faster places fail then, and exposure that says so.

Each unit has its own rate, and each state multiplies it by a factor that all share: a Poisson
regression with a constant for every unit. Given a unit's total its failures share out over the
states by factor × time, so the units' rates drop out of the likelihood and need not be known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from faults.recurrence.checked import (
    Floats,
    RecurrenceError,
    checked_amounts,
    checked_counts,
    checked_share,
)

_STEPS = 100


@dataclass(frozen=True, slots=True)
class StateFactors:
    """Of each state against the first, shape (states,): 1 for the first itself.

    ``deviation``: standard error of the factor's logarithm, 0 for the first. A state in which
    nothing failed, or no unit was at all, has factor 1 and nan as its error: nothing is known.
    """

    factor: Floats
    deviation: Floats
    low: Floats
    high: Floats


def fit_state_factors(counts: ArrayLike, exposure: ArrayLike, level: float = 0.95) -> StateFactors:
    """Factors by conditional maximum likelihood, with Wald limits on the log scale.

    counts, exposure: shape (units, states); the first state is the reference. Newton's method,
    O(units × states²) a step.

    Raises RecurrenceError for bad data, or failures of a unit in a state it never was in.
    """
    failed, time = checked_counts(counts), checked_amounts(exposure, "exposure")
    if failed.ndim != 2 or failed.shape != time.shape:
        raise RecurrenceError("counts, exposure: expected one shape (units, states)")
    if np.any(failed[time == 0.0]):
        raise RecurrenceError("exposure: a unit failed in a state it never was in")
    z = float(ndtri(0.5 + 0.5 * checked_share(level, "level")))
    states = failed.shape[1]
    told = failed.sum(axis=1) > 0
    failed, time = failed[told], time[told]
    known = (failed.sum(axis=0) > 0) & (np.arange(states) > 0)
    if not np.any(failed[:, 0]):
        known[:] = False
    # Likeliest for a state without failures is a factor of 0: its time says nothing of the others.
    time = time * (known | (np.arange(states) == 0))
    log_factor, information = _climb(failed.astype(np.float64), time, np.flatnonzero(known))
    deviation = np.full(states, np.nan)
    deviation[0] = 0.0
    if np.any(known):
        deviation[known] = np.sqrt(np.diag(np.linalg.inv(information)))
    factor = np.exp(log_factor)
    with np.errstate(invalid="ignore", over="ignore"):
        low, high = factor * np.exp(-z * deviation), factor * np.exp(z * deviation)
    return StateFactors(factor, deviation, low, high)


def _climb(failed: Floats, time: Floats, free: np.ndarray) -> tuple[Floats, Floats]:
    """Log factors at the likelihood's top, and its information there."""
    at = np.zeros(failed.shape[1])
    total = failed.sum(axis=1, keepdims=True)
    information = np.eye(len(free))
    for _ in range(_STEPS if len(free) else 0):
        weight = time * np.exp(at)
        share = weight / weight.sum(axis=1, keepdims=True)
        expected = total * share
        score = (failed - expected).sum(axis=0)[free]
        inner = np.diag(expected.sum(axis=0)) - share.T @ expected
        information = inner[np.ix_(free, free)]
        # Bounded, for a first step from far off can overshoot on a concave likelihood.
        step = np.clip(np.linalg.solve(information, score), -2.0, 2.0)
        at[free] += step
        if np.max(np.abs(step)) < 1e-12:
            break
    return at, information


def equivalent_exposure(exposure: ArrayLike, factors: StateFactors) -> Floats:
    """Time of the first state that would wear as much: Σ factor × time.

    exposure: shape (units, states); the answer has shape (units,).
    """
    time = checked_amounts(exposure, "exposure")
    return np.asarray(time @ factors.factor, dtype=np.float64)
