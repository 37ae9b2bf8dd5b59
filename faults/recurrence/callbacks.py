"""Call-backs: repairs after which the same place failed again, against what chance gives.

A place that failed is no ordinary place: the failure itself raises its rate. So the chance of
another failure within the window is worked out from the place's posterior at the repair, its
peers' gamma with all its exposure and failures up to and including that one. A repair whose window
is cut short, by the end of the watch or a replaced part, counts with what was seen of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from faults.recurrence.checked import (
    Floats,
    RecurrenceError,
    Wholes,
    checked_amounts,
    same_length,
    sum_by,
)
from faults.recurrence.flags import adjusted_p_values


def chance_of_failure(mean: ArrayLike, variance: ArrayLike) -> Floats:
    """Chance of at least one failure where the expected number is gamma distributed.

    ``mean``, ``variance``: of the expected number over the window, shape (n,); with variance 0 it
    is known. 1 − (1 + v/m)^(−m²/v). A neighbourhood of several places has the sums of their means
    and variances; that sum is taken as gamma too.
    """
    m = checked_amounts(mean, "mean")
    v = checked_amounts(variance, "variance")
    some = m > 0.0
    ratio = np.where(some, v / np.where(some, m, 1.0), 0.0)
    bent = np.where(ratio > 1e-12, np.log1p(ratio) / np.where(ratio > 1e-12, ratio, 1.0), 1.0)
    return -np.expm1(-m * bent)


@dataclass(frozen=True, slots=True)
class CallBacks:
    """For each group, shape (groups,): repairs, call-backs seen and expected, their ratio.

    ``p_value``: chance of so many or more (Poisson-binomial, exact); ``adjusted``: Benjamini and
    Hochberg's; ``p_fewer``: chance of so many or fewer.
    """

    repairs: Wholes
    seen: Wholes
    expected: Floats
    ratio: Floats
    p_value: Floats
    p_fewer: Floats
    adjusted: Floats


def call_backs(called_back: ArrayLike, chance: ArrayLike, group: ArrayLike) -> CallBacks:
    """Call-backs of each crew, part kind, stretch or property against chance.

    called_back: whether each repair was, shape (repairs,); chance: of it; group: number of whose
    repair it is. O(repairs² of a group) at most.

    Raises RecurrenceError for bad data.
    """
    back = np.asarray(called_back, dtype=np.bool_)
    chances = checked_amounts(chance, "chance")
    numbers = np.asarray(group, dtype=np.int64)
    same_length(called_back=back, chance=chances, group=numbers)
    if np.any(chances > 1.0):
        raise RecurrenceError("chance: expected at most 1")
    repairs = np.bincount(numbers)
    groups = len(repairs)
    seen = sum_by(numbers, back, groups).astype(np.int64)
    expected = sum_by(numbers, chances, groups)
    more, fewer = np.ones(groups), np.ones(groups)
    for one in range(groups):
        masses = _sum_of_chances(chances[numbers == one])
        more[one] = min(float(masses[seen[one] :].sum()), 1.0)
        fewer[one] = min(float(masses[: seen[one] + 1].sum()), 1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(expected > 0.0, seen / expected, np.nan)
    return CallBacks(repairs, seen, expected, ratio, more, fewer, adjusted_p_values(more))


def _sum_of_chances(chances: Floats) -> Floats:
    """Masses of the number of successes of trials with these chances."""
    masses = np.zeros(len(chances) + 1)
    masses[0] = 1.0
    for trial, chance in enumerate(chances, start=1):
        masses[1 : trial + 1] = masses[1 : trial + 1] * (1.0 - chance) + masses[:trial] * chance
        masses[0] *= 1.0 - chance
    return masses
