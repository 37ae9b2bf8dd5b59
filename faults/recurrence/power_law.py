"""The power law (Crow–AMSAA): expected failures up to time t are λ t^β on a unit's clock.

β above 1: failures come ever faster. References: Crow, in Reliability and Biometry (1974);
MIL-HDBK-189C; NIST/SEMATECH e-Handbook 8.4.5 (there *b* is 1 − β of the modified estimate).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaincinv, ndtri

from faults.recurrence.checked import Floats, RecurrenceError, TooFewFailures, checked_share
from faults.recurrence.trend import FailureSums, FailureTimes, failure_sums


@dataclass(frozen=True, slots=True)
class PowerLaws:
    """Fits of many units, each shape (units,); nan where there are too few failures.

    ``beta``: maximum likelihood, with exact limits ``beta_low``, ``beta_high``; ``beta_modified``:
    its bias taken out; ``lam``: λ of the maximum likelihood, for times in the clock's unit.
    """

    failures: Floats
    end: Floats
    beta: Floats
    beta_low: Floats
    beta_high: Floats
    beta_modified: Floats
    lam: Floats


def fit_power_laws(failures: FailureTimes, level: float = 0.95) -> PowerLaws:
    """Fits of all units. O(events + units).

    With n failures and S = Σ ln(T/t): β = n/S and λ = n/T^β. Without error of the law 2nβ₀/β is
    χ² with 2n degrees of freedom under time truncation, 2(n − 1) under failure truncation, which
    gives the limits. Modified: (n − 1)/S and (n − 2)/S.
    """
    sums = failure_sums(failures)
    return _fits(sums, failures, level)


def _fits(sums: FailureSums, failures: FailureTimes, level: float) -> PowerLaws:
    tail = 0.5 * (1.0 - checked_share(level, "level"))
    counted, logs = sums.counted.astype(np.float64), sums.logs
    some = (counted > 0.0) & (logs > 0.0)
    whole = np.where(some, counted + failures.ends_with_failure, np.nan)
    spread = np.where(some, logs, np.nan)
    shape = np.where(some, counted, 1.0)
    beta = whole / spread
    # Two failures close to the end give a huge β: to all digits T^β is then infinite and λ 0, or,
    # where T counts less than one unit of time, T^β is 0 and λ without bound.
    with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
        lam = whole / np.where(some, failures.end, np.nan) ** beta
    return PowerLaws(
        failures=whole,
        end=failures.end,
        beta=beta,
        beta_low=gammaincinv(shape, tail) / spread,
        beta_high=gammaincinv(shape, 1.0 - tail) / spread,
        beta_modified=(counted - 1.0) / spread,
        lam=lam,
    )


@dataclass(frozen=True, slots=True)
class MeanTime:
    """The time between failures that the power law gives at the end of the watch, with limits."""

    value: float
    low: float
    high: float


def mean_time_at_end(failures: float, end: float, beta: float, level: float = 0.80) -> MeanTime:
    """T/(n β) of a time-truncated unit with the modified β, and the handbook's limits.

    NIST/SEMATECH e-Handbook 8.3.1.5: M n(n−1)/(n + z²/4 + √(n z²/4 + z⁴/16))² and
    M n(n−1)/(n − √(n z²/2))². They are approximate; what they cover is in the benchmarks.

    Raises RecurrenceError where n is below 2, β is not above 0, or n is too small for the level's
    upper limit.
    """
    if failures < 2 or not beta > 0.0:
        raise TooFewFailures("failures: expected at least 2, with beta above 0")
    n = float(failures)
    z = float(ndtri(0.5 + 0.5 * checked_share(level, "level")))
    room = n - np.sqrt(0.5 * n * z * z)
    if room <= 0.0:
        raise RecurrenceError(f"level: {n:.0f} failures give no upper limit at {level}")
    value = end / (n * beta)
    below = n + 0.25 * z * z + np.sqrt(0.25 * n * z * z + z**4 / 16.0)
    scale = value * n * (n - 1.0)
    return MeanTime(value, float(scale / below**2), float(scale / room**2))


def expected_failures(lam: float, beta: float, start: float, stop: float) -> float:
    """λ (stop^β − start^β): failures to expect between two times of the clock."""
    return float(lam * (stop**beta - start**beta))


def cramer_von_mises(at: ArrayLike, end: float) -> float:
    """How far a time-truncated unit is from its power law: 1/(12n) + Σ((t/T)^β − (2i − 1)/2n)².

    With the modified β (Crow, 1974); MIL-HDBK-189C tabulates what is too far.

    Raises TooFewFailures below 2 failures.
    """
    times = np.sort(np.asarray(at, dtype=np.float64))
    n = len(times)
    if n < 2:
        raise TooFewFailures("at: expected at least 2 failures")
    beta = (n - 1) / float(np.sum(np.log(end / times)))
    steps = (2.0 * np.arange(1, n + 1) - 1.0) / (2.0 * n)
    return float(1.0 / (12.0 * n) + np.sum(((times / end) ** beta - steps) ** 2))
