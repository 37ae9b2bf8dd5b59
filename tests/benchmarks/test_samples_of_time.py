"""A sample of the benchmarks of time: side by side, or how it grows, so that it holds anywhere.

The strict figures are the benchmarks' (``solve``, ``suggestions``), on a machine of their own.
"""

from __future__ import annotations

import time
from statistics import median

import pytest

from benchmarks.bench_solve import SHAPES, made_path, timed_row
from faults.rehearsal.cases import large_case
from faults.rehearsal.play import play


@pytest.mark.parametrize("shape", SHAPES)
def test_a_path_of_a_thousand_nodes_is_solved_in_time(shape: str) -> None:
    """Beside scipy's LU of the same network, which took a third to half of a whole solve."""
    row = timed_row(shape, 1000, made_path(shape, 1000))
    assert row["whole_ms"] < 6.0 * row["lu_ms"], row
    assert row["prepared_ms"] < 2.0 * row["lu_ms"], row
    # Below 2 ms where nothing else runs.
    assert row["whole_ms"] < 10.0, row


@pytest.mark.slow
def test_solving_grows_with_the_path_and_not_with_its_square() -> None:
    small, large = (
        timed_row("branching", size, made_path("branching", size)) for size in (1000, 10_000)
    )
    for name in ("whole_ms", "prepared_ms"):
        assert large[name] < 25.0 * small[name], (small, large)


@pytest.mark.slow
def test_suggestions_grow_no_faster_than_the_path() -> None:
    """From 316 devices to 3,162: the first ten times, the later ones some two, were seen."""
    firsts, laters = [], []
    for devices in (316, 3162):
        cases = [large_case(devices, "branching", index) for index in range(2)]
        took = [play(c.rehearsal, clock_s=time.process_time).suggestion_ms for c in cases]
        firsts.append(min(ms[0] for ms in took))
        laters.append(median(ms for one in took for ms in one[1:]))
    assert firsts[1] < 25.0 * firsts[0], firsts
    assert laters[1] < 10.0 * laters[0], laters
