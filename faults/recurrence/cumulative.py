"""The mean cumulative function: failures per unit up to an age, without a law assumed.

Conventions. Ages are on each unit's clock of exposure. A unit is at risk up to and including its
own end, so a failure at the very end counts and its unit is still at risk there. Failures of one
age are taken together: M grows by their number over the units at risk, as it would one by one.
References: Nelson, Technometrics 30 (1988); Lawless and Nadeau, Technometrics 37 (1995).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from faults.recurrence.checked import Floats, RecurrenceError, Wholes, checked_share
from faults.recurrence.trend import FailureTimes


@dataclass(frozen=True, slots=True)
class CumulativeMean:
    """M at each distinct age of failure, each shape (ages,), with its variance and limits.

    ``at_risk``: units that were watched for so long.
    """

    age: Floats
    mean: Floats
    variance: Floats
    low: Floats
    high: Floats
    at_risk: Wholes

    def at(self, age: float) -> float:
        """M at any age: the step at or before it, 0 before the first failure."""
        place = int(np.searchsorted(self.age, age, side="right")) - 1
        return float(self.mean[place]) if place >= 0 else 0.0


def cumulative_mean(
    failures: FailureTimes, level: float = 0.95, *, increments_independent: bool = False
) -> CumulativeMean:
    """M with pointwise limits M exp(±z √V / M).

    The variance is Lawless and Nadeau's, Σ over units of (Σ over ages of (d − d̄)/r)², which holds
    for any process of independent units, also where a bad unit fails again and again.
    ``increments_independent``: the sum over failures of its increments alone, taken one by one
    (1/r² Σ(d − 1/r)²), as some published tables have it; too small where units differ.
    O(events log events) beside the at most units × ages steps of the sums over units.

    Raises RecurrenceError without failures.
    """
    z = float(ndtri(0.5 + 0.5 * checked_share(level, "level")))
    if len(failures.at) == 0:
        raise RecurrenceError("at: a cumulative mean needs at least one failure")
    age, step = np.unique(failures.at, return_inverse=True)
    ends = np.sort(failures.end)
    at_risk = len(ends) - np.searchsorted(ends, age, side="left")
    failed = np.bincount(step, minlength=len(age)).astype(np.float64)
    growth = failed / at_risk
    mean = np.cumsum(growth)
    if increments_independent:
        share = 1.0 / at_risk
        variance = np.cumsum(failed * share**2 * ((1.0 - share) ** 2 + (at_risk - 1) * share**2))
    else:
        variance = _variance_over_units(failures, step, growth, at_risk.astype(np.float64))
    spread = np.exp(z * np.sqrt(variance) / mean)
    return CumulativeMean(age, mean, variance, mean / spread, mean * spread, at_risk)


def _variance_over_units(
    failures: FailureTimes, step: Wholes, growth: Floats, at_risk: Floats
) -> Floats:
    """Σ_i (Σ_{j ≤ k} (d_ij − d̄_j 1{i at risk at j})/r_j)² for every k, in one pass over events.

    Let a_i(k) = Σ_{j ≤ k} d_ij / r_j and B(k) = Σ_{j ≤ k} d̄_j / r_j. A unit at risk throughout
    has the term a_i − B; one that left at age e keeps a_i(e) − B(e). So the sum of squares is kept
    as Σ a², Σ a and a count for those at risk, and a constant for those that left.
    """
    ages = len(growth)
    drift = np.cumsum(growth / at_risk)
    last = np.searchsorted(np.unique(failures.at), failures.end, side="right") - 1
    own = np.zeros(len(failures.end))
    order = np.argsort(step, kind="stable")
    leaving = np.argsort(last, kind="stable")
    variance = np.empty(ages)
    squares = total = left = 0.0
    watched = float(len(own))
    event = gone = 0
    for k in range(ages):
        while gone < len(leaving) and last[leaving[gone]] < k:
            one = leaving[gone]
            kept = drift[last[one]] if last[one] >= 0 else 0.0
            left += (own[one] - kept) ** 2
            squares -= own[one] ** 2
            total -= own[one]
            watched -= 1.0
            gone += 1
        while event < len(order) and step[order[event]] == k:
            one = failures.unit[order[event]]
            grown = own[one] + 1.0 / at_risk[k]
            squares += grown**2 - own[one] ** 2
            total += grown - own[one]
            own[one] = grown
            event += 1
        variance[k] = left + squares - 2.0 * drift[k] * total + watched * drift[k] ** 2
    return variance


def stacked(ages_of_units: list[ArrayLike], ends: ArrayLike) -> FailureTimes:
    """Failures given unit by unit as flat arrays."""
    lengths = [len(np.asarray(ages)) for ages in ages_of_units]
    flat = [np.asarray(ages, dtype=np.float64) for ages in ages_of_units]
    unit = np.repeat(np.arange(len(lengths)), lengths)
    return FailureTimes.of(unit, np.concatenate(flat) if flat else np.zeros(0), ends)
