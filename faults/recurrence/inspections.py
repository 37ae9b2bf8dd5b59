"""When to look at a place again: when the predicted chance of a failure reaches a target.

Only a reason to look, never to dig: where to open and how is for those on site.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from faults.recurrence.checked import Floats, checked_amounts, checked_share, floats
from faults.recurrence.rates import ShrunkRates


def predicted_chance(rates: ShrunkRates, exposure: ArrayLike) -> Floats:
    """Chance of at least one failure in further exposure: 1 − (β/(β + e))^α, shape (n,)."""
    ahead = checked_amounts(exposure, "exposure")
    # Posterior of one known rate is held as an infinite β: there 1 − exp(−μe).
    known = np.isinf(rates.rate)
    bend = np.where(known, 1.0, rates.rate)
    spread = rates.shape * np.log1p(ahead / bend)
    return floats(-np.expm1(-np.where(known, rates.mean * ahead, spread)))


def exposure_to_chance(rates: ShrunkRates, target: float) -> Floats:
    """Exposure after which the predicted chance is ``target``: β((1 − c)^(−1/α) − 1), shape (n,).

    Infinite where nothing can fail. Raises RecurrenceError for a target outside (0, 1).
    """
    need = -np.log1p(-checked_share(target, "target"))
    known = np.isinf(rates.rate)
    bend = np.where(known, 1.0, rates.rate)
    with np.errstate(divide="ignore"):
        steady = need / rates.mean
    return floats(np.where(known, steady, bend * np.expm1(need / rates.shape)))


def power_law_to_chance(lam: float, beta: float, age: float, target: float) -> float:
    """Clock time after ``age`` in which a unit with a trend reaches the chance ``target``.

    1 − exp(−λ((a + τ)^β − a^β)) = c, so τ = (a^β − ln(1 − c)/λ)^(1/β) − a.
    """
    need = -np.log1p(-checked_share(target, "target"))
    return float((age**beta + need / lam) ** (1.0 / beta) - age)
