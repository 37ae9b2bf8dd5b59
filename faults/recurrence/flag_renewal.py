"""Renew what is flagged, or go on repairing it? Told in failures, so that no price need be known.

Going on, the place keeps its own rate: its ratio to what peers expect is gamma(1/φ + s)/(1/φ + e),
s failures where e were expected and φ the spread of ratios, as its posterior is. Renewed it is one
of its peers: gamma(1/φ)/(1/φ). Failures saved are the price of renewing, in repairs, up to which
it pays. The posterior draws what stands out by chance back towards its peers, so that having been
picked as the worst makes no case for renewing by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from faults.recurrence.checked import Floats, RecurrenceError, checked_share

DRAWS = 4000
PRICES_IN_REPAIRS = (1.0, 2.0, 5.0, 10.0, 20.0)
"""Prices of a renewal, in repairs, for which the chance that it pays is told."""

Three = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class FlagRenewal:
    """The next ``years`` energised years either way, each (low, median, high) of the expectation
    over what the data leaves open.

    ``repairing``, ``renewing``: failures; ``saved``: their difference, which may be below 0;
    ``pays``: by price of renewing, in repairs, the chance that it costs less than it saves.
    """

    years: float
    repairing: Three
    renewing: Three
    saved: Three
    pays: tuple[tuple[float, float], ...]


def flag_renewal(
    failures: int,
    expected: float,
    spread: float,
    expected_a_year: float,
    *,
    years: float = 5.0,
    level: float = 0.95,
) -> FlagRenewal:
    """Both ways for a place that failed ``failures`` times where peers expect ``expected``.

    ``expected_a_year``: what peers expect of it in an energised year; ``spread``: φ, 0: all have
    one rate, and renewing saves nothing. The same arguments give the same answer. O(draws).

    Raises RecurrenceError for numbers below 0 or a time that is not above 0.
    """
    if min(failures, expected, spread, expected_a_year) < 0.0 or not years > 0.0:
        raise RecurrenceError("failures, expected, spread, years: expected numbers of at least 0")
    ahead = expected_a_year * years
    rng = np.random.default_rng(int(failures))
    if spread == 0.0:
        going_on = renewed = np.full(DRAWS, ahead)
    else:
        shape = 1.0 / spread
        going_on = ahead * rng.gamma(shape + failures, 1.0 / (shape + expected), DRAWS)
        renewed = ahead * rng.gamma(shape, spread, DRAWS)
    saved = going_on - renewed
    tail = 0.5 * (1.0 - checked_share(level, "level"))
    shares = (tail, 0.5, 1.0 - tail)
    return FlagRenewal(
        years,
        _three(going_on, shares),
        _three(renewed, shares),
        _three(saved, shares),
        tuple((price, float(np.mean(saved > price))) for price in PRICES_IN_REPAIRS),
    )


def _three(values: Floats, shares: Three) -> Three:
    low, middle, high = np.quantile(values, shares)
    return float(low), float(middle), float(high)
