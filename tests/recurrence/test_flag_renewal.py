"""Repair or renew at a flag: against scipy's gammas, and where the answer is known."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from scipy.integrate import quad

from faults.recurrence.checked import RecurrenceError
from faults.recurrence.flag_renewal import flag_renewal


def test_both_ways_are_the_gammas_quantiles() -> None:
    """Within what 4,000 draws can be off: three standard errors of the probability."""
    made = flag_renewal(6, 0.8, 0.5, 0.4, years=5.0)
    going_on = scipy.stats.gamma(2.0 + 6, scale=1.0 / (2.0 + 0.8))
    renewed = scipy.stats.gamma(2.0, scale=0.5)
    for law, told in ((going_on, made.repairing), (renewed, made.renewing)):
        for share, value in zip((0.025, 0.5, 0.975), told, strict=True):
            off = 3.0 * np.sqrt(share * (1.0 - share) / 4000)
            assert law.cdf(value / 2.0) == pytest.approx(share, abs=off)
    for price, chance in made.pays:
        # P(repairing less renewed > price), renewed integrated out.
        right, _ = quad(
            lambda x, least=price: renewed.pdf(x) * going_on.sf(x + least / 2.0), 0.0, 30.0
        )
        assert chance == pytest.approx(right, abs=0.025)


def test_the_same_place_as_its_peers_saves_nothing() -> None:
    made = flag_renewal(6, 0.8, 0.0, 0.4)
    assert made.saved == (0.0, 0.0, 0.0)
    assert made.repairing == made.renewing == pytest.approx((2.0, 2.0, 2.0))
    assert all(chance == 0.0 for _, chance in made.pays)


def test_more_failures_make_a_better_case_and_dearer_renewing_a_worse_one() -> None:
    few, many = (flag_renewal(count, 1.0, 1.0, 0.3) for count in (2, 9))
    assert many.saved[1] > few.saved[1]
    chances = [chance for _, chance in many.pays]
    assert chances == sorted(chances, reverse=True)
    low, middle, high = many.saved
    assert low < middle < high
    # Fewer than peers expect: renewing costs failures.
    assert flag_renewal(0, 6.0, 1.0, 0.3).saved[1] < 0.0
    assert flag_renewal(9, 1.0, 1.0, 0.3) == many
    with pytest.raises(RecurrenceError, match="at least 0"):
        flag_renewal(1, 1.0, -0.1, 0.3)
    with pytest.raises(RecurrenceError, match="at least 0"):
        flag_renewal(1, 1.0, 0.1, 0.3, years=0.0)
