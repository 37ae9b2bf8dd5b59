"""Whether the minutes said are those it takes, and the chances said those that come true, over a
seeded sample of the cases of `make bench-rehearsals`."""

from __future__ import annotations

import pytest

from benchmarks.bench_rehearsals import row_of
from benchmarks.runner import Row

SAMPLE = range(2000, 2060)


@pytest.fixture(scope="module")
def rows() -> list[Row]:
    return [row_of(f"rehearsals-{index:05d}") for index in SAMPLE]


@pytest.mark.slow
@pytest.mark.parametrize("moment", ["first step", "first wire", "midway"])
def test_half_takes_less_than_p50_and_nine_tenths_less_than_p90(
    rows: list[Row], moment: str
) -> None:
    """Three standard errors around a half, and below nine tenths, for so few cases."""
    told = [row["expected"][moment] for row in rows if moment in row["expected"]]
    assert len(told) > 50
    below_p50 = sum(took <= p50 for p50, _, took in told) / len(told)
    below_p90 = sum(took <= p90 for _, p90, took in told) / len(told)
    assert 0.31 <= below_p50 <= 0.69
    assert 0.78 <= below_p90 < 1.0, "no P90 is one that nothing ever exceeds"


@pytest.mark.slow
def test_a_proof_takes_the_minutes_said(rows: list[Row]) -> None:
    """Its acts are known and cost most of it: it is told to a few readings."""
    told = [row["expected"]["proof"] for row in rows if row["proved"]]
    assert len(told) > 50
    near = sum(abs(took - p50) <= 3.0 and took <= p90 for p50, p90, took in told)
    assert near >= 0.9 * len(told)


@pytest.mark.slow
def test_said_with_ninety_nine_in_a_hundred_comes_true(rows: list[Row]) -> None:
    sure = [call for row in rows for call in row["calls"] if call[1] >= 0.99]
    assert len(sure) > 200
    assert sum(right for _, _, right in sure) >= 0.985 * len(sure)


@pytest.mark.slow
def test_the_chance_said_of_the_first_suspect_is_how_often_it_is_the_fault(
    rows: list[Row],
) -> None:
    """Over all beliefs below 0.9: the mean said, and the share that was right. Beliefs of one
    trace hang together, so the margin is that of some sixty traces."""
    unsure = [call for row in rows for call in row["calls"] if call[1] < 0.9]
    assert len(unsure) > 150
    said = sum(top for _, top, _ in unsure) / len(unsure)
    right = sum(right for _, _, right in unsure) / len(unsure)
    assert abs(said - right) <= 0.12
