"""The clamp meter of a rehearsal, exactly as the survey form words it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from faults.rehearsal.meter import SeededMeter
from faults.tracing.problem import Meter

SEEDS = st.integers(min_value=0, max_value=2**31 - 1)


@given(seed=SEEDS)
def test_one_gain_holds_for_the_whole_trace(seed: int) -> None:
    meter = SeededMeter(Meter(percent=1.0, counts=0.0, resolution_ma=1e-9), seed)
    ratios = [meter.read(true_ma) / true_ma for true_ma in (10.0, 147.0, 147.0, 450.0)]
    assert ratios == pytest.approx([meter.gain] * 4, abs=1e-9)
    assert 0.99 <= meter.gain <= 1.01


@given(seed=SEEDS, true_ma=st.floats(min_value=0.0, max_value=2000.0))
def test_a_reading_errs_by_its_counts_and_its_rounding(seed: int, true_ma: float) -> None:
    shown_ma = SeededMeter(Meter(percent=0.0, counts=2.0, resolution_ma=0.5), seed).read(true_ma)
    # Two counts of half a milliamp, and half a step of rounding; nothing reads below zero.
    assert -1.25 - 1e-9 <= shown_ma - true_ma <= 1.25 + 1e-9
    assert shown_ma >= 0.0
    assert shown_ma / 0.5 == round(shown_ma / 0.5)


def test_errors_differ_from_reading_to_reading_and_fill_their_range() -> None:
    meter = SeededMeter(Meter(percent=0.0, counts=2.0, resolution_ma=1.0), 3)
    readings = np.array([meter.read(100.0) for _ in range(4000)])
    assert set(readings) == {98.0, 99.0, 100.0, 101.0, 102.0}
    # Uniform within ± 2, then rounded: variance 2 (0.125 x 4 + 0.25 x 1) = 1.5.
    assert abs(readings.mean() - 100.0) < 4 * np.sqrt(1.5 / 4000)


def test_gains_fill_their_range() -> None:
    meters = [SeededMeter(Meter(percent=2.0), seed) for seed in range(2000)]
    gains = np.array([meter.gain for meter in meters])
    assert gains.min() < 0.981
    assert gains.max() > 1.019
    # Uniform within ± 2 %: standard deviation 0.02 / sqrt(3).
    assert gains.std() == pytest.approx(0.02 / np.sqrt(3.0), rel=0.05)


def test_reading_again_does_not_average_the_gain_away() -> None:
    seed = next(s for s in range(100) if SeededMeter(Meter(percent=1.0), s).gain > 1.008)
    meter = SeededMeter(Meter(percent=1.0, counts=2.0, resolution_ma=1.0), seed)
    mean_ma = np.mean([meter.read(400.0) for _ in range(2000)])
    assert mean_ma == pytest.approx(400.0 * meter.gain, abs=0.15)
    assert mean_ma > 403.0


def test_a_seed_reads_the_same_again() -> None:
    one, other = SeededMeter(Meter(), 5), SeededMeter(Meter(), 5)
    assert [one.read(147.0) for _ in range(20)] == [other.read(147.0) for _ in range(20)]
