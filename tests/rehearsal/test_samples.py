"""A seeded sample of each family of the benchmark, played from end to end."""

from __future__ import annotations

import time
from functools import cache

import pytest

from benchmarks.bench_rehearsals import calibration_error, row_of
from benchmarks.runner import Row
from faults.rehearsal.cases import make_case
from faults.rehearsal.play import play

MOST_ERROR_OF_FEW = 0.06
METHODS = ("planner", "outward", "halving", "per-minute")
QUICK = (1, 2, 3, 7, 14, 18)
MORE = (4, 8, 13, 15, 22, 30, 45, 61)


@cache
def kept_row(key: str) -> Row:
    return row_of(key)


def checked(key: str) -> None:
    row = kept_row(key)
    assert not row["wrong"], row
    assert row["located"], row
    assert row["proved"], row


@pytest.mark.parametrize("index", QUICK)
def test_a_fault_is_located_and_proved(index: int) -> None:
    checked(f"rehearsals-{index:05d}")


@pytest.mark.slow
@pytest.mark.parametrize("index", MORE)
def test_more_faults_are_located_and_proved(index: int) -> None:
    checked(f"rehearsals-{index:05d}")


@pytest.mark.slow
def test_what_is_said_is_about_as_often_right() -> None:
    """Of fourteen traces, whose beliefs hang together; the benchmark bounds it over 3,000."""
    rows = [kept_row(f"rehearsals-{index:05d}") for index in (*QUICK, *MORE)]
    calls = [call for row in rows for call in row["calls"]]
    assert len(calls) > 150
    assert calibration_error(calls) <= MOST_ERROR_OF_FEW
    sure = [right for _, said, right in calls if said >= 0.99]
    assert len(sure) > 50
    assert sum(sure) >= 0.985 * len(sure)


@pytest.mark.slow
@pytest.mark.parametrize("index", range(3))
def test_a_fault_among_heavy_draws_is_located_and_proved(index: int) -> None:
    checked(f"heavy-{index:05d}")


@pytest.mark.parametrize("family", ["sound", "overload", "controller"])
@pytest.mark.parametrize("index", range(3))
def test_no_place_is_proved_where_none_is_at_fault(family: str, index: int) -> None:
    row = row_of(f"{family}-{index:05d}")
    assert not row["wrong"], row
    assert not row["place_proved"], row
    assert row["right_ending"], row


@pytest.mark.parametrize("method", METHODS)
def test_methods_choose_only_the_next_place(method: str) -> None:
    played = play(make_case("rehearsals", 18).rehearsal, method, clock_s=time.perf_counter)
    assert played.located
    assert played.proved
    assert not played.wrongly_proved
    assert len(played.suggestion_ms) == len(played.steps) + 1


def test_times_come_from_the_clock_that_is_passed_in() -> None:
    ticks = iter(range(10_000))
    played = play(make_case("rehearsals", 18).rehearsal, clock_s=lambda: float(next(ticks)))
    assert set(played.suggestion_ms) == {1000.0}
