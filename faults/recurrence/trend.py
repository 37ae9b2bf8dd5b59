"""Is a unit getting worse? Laplace's test and the MIL-HDBK-189 test, for many units at once.

Times are on each unit's own clock of exposure, from 0 at the start of its watch. *Time
truncation*: the watch ended at a time fixed beforehand (the usual case: today). *Failure
truncation*: it ended with the last failure, which then carries no news and is left out of the
sums. References: NIST/SEMATECH e-Handbook 8.2.3.4; MIL-HDBK-189C; Cox and Lewis (1966).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammainc, gammaincc, ndtr

from faults.recurrence.checked import (
    Flags,
    Floats,
    RecurrenceError,
    Wholes,
    checked_amounts,
    same_length,
    sum_by,
)


@dataclass(frozen=True, slots=True)
class FailureTimes:
    """Failures of many units as flat arrays, in any order.

    ``unit``: whose, shape (events,); ``at``: when on its clock, in (0, end]; ``end``: of each
    unit's watch, shape (units,); ``ends_with_failure``: failure truncation, shape (units,).
    A failure past the end, or at 0 or below, is refused.
    """

    unit: Wholes
    at: Floats
    end: Floats
    ends_with_failure: Flags

    @classmethod
    def of(
        cls,
        unit: ArrayLike,
        at: ArrayLike,
        end: ArrayLike,
        ends_with_failure: ArrayLike | None = None,
    ) -> FailureTimes:
        """Checked arrays. Raises RecurrenceError."""
        units = np.asarray(unit, dtype=np.int64)
        times = checked_amounts(at, "at", above_zero=True)
        ends = checked_amounts(end, "end")
        last = ends_with_failure
        with_failure = np.zeros(len(ends), np.bool_) if last is None else np.asarray(last, np.bool_)
        same_length(unit=units, at=times)
        same_length(end=ends, ends_with_failure=with_failure)
        if np.any((units < 0) | (units >= len(ends))):
            raise RecurrenceError("unit: expected numbers of the units in end")
        if np.any(times > ends[units]):
            raise RecurrenceError("at: a failure lies past the end of its unit's watch")
        return cls(units, times, ends, with_failure)


@dataclass(frozen=True, slots=True)
class Trends:
    """Tests of each unit, each shape (units,); nan and p = 1 where no failure counts.

    ``counted``: failures in the sums. ``laplace``: about standard normal without trend, positive
    where failures come ever faster. ``chi_square``: 2 Σ ln(end/at), χ² with 2 × counted degrees
    of freedom without trend (exactly), small where failures come ever faster. For each test the
    p-values of *worsening* and of *improving* (one-sided); twice the smaller one is two-sided.
    """

    counted: Wholes
    laplace: Floats
    laplace_worsening: Floats
    laplace_improving: Floats
    chi_square: Floats
    chi_square_worsening: Floats
    chi_square_improving: Floats


def trend_tests(failures: FailureTimes) -> Trends:
    """Both tests for every unit. O(events + units).

    Laplace's is exact only in the limit; below some four failures trust the other one.
    """
    sums = failure_sums(failures)
    laplace = sums.middle * np.sqrt(12.0 / np.maximum(sums.counted, 1))
    return _tests(sums.counted, laplace, sums.logs)


def pooled_trend(failures: FailureTimes) -> Trends:
    """Both tests of all units together, one entry: a trend they share, whatever their rates.

    Σ(Σt − n T/2)/√(Σ n T²/12), and the sum of the units' χ² with the sum of their degrees.
    """
    sums = failure_sums(failures)
    variance = float(np.sum(sums.counted * failures.end**2)) / 12.0
    excess = float(np.sum(sums.middle * failures.end))
    laplace = excess / np.sqrt(variance) if variance > 0.0 else np.nan
    return _tests(np.array([sums.counted.sum()]), np.array([laplace]), np.array([sums.logs.sum()]))


@dataclass(frozen=True, slots=True)
class FailureSums:
    """For each unit: failures ``counted``, ``middle`` Σ(t/T − ½), ``logs`` Σ ln(T/t)."""

    counted: Wholes
    middle: Floats
    logs: Floats


def failure_sums(failures: FailureTimes) -> FailureSums:
    """What trend tests and power laws are made of. O(events + units)."""
    units = len(failures.end)
    counts = np.bincount(failures.unit, minlength=units)
    end = failures.end[failures.unit]
    logs = sum_by(failures.unit, np.log(end / failures.at), units)
    middle = sum_by(failures.unit, failures.at / end - 0.5, units)
    # The last failure of a failure-truncated unit sits at its end: ln 1 = 0, and ½ to take back.
    dropped = failures.ends_with_failure & (counts > 0)
    return FailureSums(counts - dropped, middle - 0.5 * dropped, logs)


def _tests(counted: Wholes, laplace: Floats, logs: Floats) -> Trends:
    some = counted > 0
    shape = np.maximum(counted, 1)
    z = np.where(some, laplace, 0.0)
    return Trends(
        counted=counted,
        laplace=np.where(some, laplace, np.nan),
        laplace_worsening=np.where(some, ndtr(-z), 1.0),
        laplace_improving=np.where(some, ndtr(z), 1.0),
        chi_square=np.where(some, 2.0 * logs, np.nan),
        chi_square_worsening=np.where(some, gammainc(shape, logs), 1.0),
        chi_square_improving=np.where(some, gammaincc(shape, logs), 1.0),
    )


def reverse_arrangements(at: ArrayLike) -> int:
    """Pairs of gaps of one unit where the later is longer; many where failures get rarer.

    NIST/SEMATECH e-Handbook 8.2.3.4. O(n²).
    """
    times = np.sort(checked_amounts(at, "at", above_zero=True))
    gaps = np.diff(times, prepend=0.0)
    later = gaps[None, :] > gaps[:, None]
    return int(np.sum(np.triu(later, 1)))
