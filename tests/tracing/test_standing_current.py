"""When a leg's standing current has risen past what meters and drift explain."""

from __future__ import annotations

from dataclasses import replace

import pytest

from faults.tracing.problem import Meter, SoundRecord
from faults.tracing.standing_current import SIGMAS_OF_A_RISE, standing_rise

BEFORE = SoundRecord("S1", 140.0, coil=False, wet=False, date="2025-04-02", meter="M1")
NOW = replace(BEFORE, date="2026-04-02")


def sigmas(now: SoundRecord, before: SoundRecord = BEFORE) -> float:
    rise = standing_rise(before, now)
    assert rise is not None
    return rise.sigmas


@pytest.mark.parametrize(
    ("now_ma", "risen"), [(140.0, False), (150.0, False), (160.0, False), (190.0, True)]
)
def test_a_rise_past_meter_and_drift(now_ma: float, risen: bool) -> None:
    rise = standing_rise(BEFORE, replace(NOW, current_ma=now_ma))
    assert rise is not None
    assert rise.risen is risen
    assert rise.share == pytest.approx(now_ma / 140.0 - 1.0)
    assert rise.risen is (rise.sigmas >= SIGMAS_OF_A_RISE)


def test_a_fall_is_no_rise() -> None:
    assert sigmas(replace(NOW, current_ma=60.0)) < -SIGMAS_OF_A_RISE


def test_what_makes_it_less_sure() -> None:
    higher = replace(NOW, current_ma=165.0)
    plain = sigmas(higher)
    assert sigmas(replace(higher, date="2029-04-02")) < plain
    assert sigmas(replace(higher, meter="M2")) < plain
    assert sigmas(replace(higher, wet=True)) < plain
    assert sigmas(replace(higher, date="2025-05-02")) > plain
    coarse = standing_rise(BEFORE, higher, Meter(counts=10.0))
    assert coarse is not None
    assert coarse.sigmas < plain


def test_small_currents_are_held_to_the_counts_of_the_meter() -> None:
    small = replace(BEFORE, current_ma=3.0)
    rise = standing_rise(small, replace(NOW, current_ma=5.0))
    assert rise is not None
    assert not rise.risen


@pytest.mark.parametrize(
    "now",
    [
        replace(NOW, coil=True),
        replace(NOW, coil=None),
        replace(NOW, current_ma=None),
        replace(NOW, current_ma=0.0),
    ],
)
def test_unlike_records_are_not_compared(now: SoundRecord) -> None:
    assert standing_rise(BEFORE, now) is None


def test_two_legs_are_refused() -> None:
    with pytest.raises(ValueError, match="S1 and S2"):
        standing_rise(BEFORE, replace(NOW, leg="S2"))
