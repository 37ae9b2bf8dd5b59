"""Limits of the tables against closed forms and a printed table."""

from __future__ import annotations

import math

import pytest
from scipy.stats import binom

from benchmarks.limits import at_least, at_most, exponent, mean_of


@pytest.mark.parametrize("n", [20, 200, 3000])
def test_none_of_n_and_all_of_n_have_closed_forms(n: int) -> None:
    """(1 - p)^n = 0.05 where nothing was seen; p^n = 0.05 where all was."""
    assert at_most(0, n) == pytest.approx(1.0 - 0.05 ** (1.0 / n), rel=1e-9)
    assert at_least(n, n) == pytest.approx(0.05 ** (1.0 / n), rel=1e-9)
    assert at_least(0, n) == 0.0
    assert at_most(n, n) == 1.0


@pytest.mark.parametrize(("k", "n"), [(1, 10), (7, 40), (2985, 3000)])
def test_a_limit_leaves_a_twentieth_in_the_tail(k: int, n: int) -> None:
    assert binom.sf(k - 1, n, at_least(k, n)) == pytest.approx(0.05, rel=1e-6)
    assert binom.cdf(k, n, at_most(k, n)) == pytest.approx(0.05, rel=1e-6)


def test_mean_with_limits_by_hand() -> None:
    """1, 2, 3: mean 2, s = 1, t(0.975, 2) = 4.302653 (printed t tables: 4.303)."""
    mean = mean_of([1.0, 2.0, 3.0])
    half = 4.302653 / math.sqrt(3.0)
    assert (mean.count, mean.mean) == (3, 2.0)
    assert mean.low == pytest.approx(2.0 - half, abs=1e-6)
    assert mean.high == pytest.approx(2.0 + half, abs=1e-6)
    assert math.isnan(mean_of([1.5]).low)
    assert math.isnan(mean_of([]).mean)


def test_exponent_of_a_power() -> None:
    sizes = [100.0, 1000.0, 10_000.0]
    assert exponent(sizes, [0.3 * size**1.25 for size in sizes]) == pytest.approx(1.25)
