"""The fast posterior, which a trace goes by, against the exact one on the same readings.

A sample of the benchmark ``posterior``: a total variation of 0.01 at most, and the same leader.
"""

from __future__ import annotations

import pytest

from benchmarks.bench_posterior import fast_against_exact

MOST_VARIATION = 0.01
COIL_KNOWN = (2, 10, 13)
COIL_UNKNOWN = (0, 18)
MORE = (7, 8, 14, 15, 17)
"""With two readings and an unknown coil a coarse grid is furthest off."""


def checked(index: int, kind: str) -> None:
    row = fast_against_exact(index)
    assert row["kind"] == kind, row
    assert 0.0 < row["total_variation"] <= MOST_VARIATION, row
    assert row["same_leader"], row


@pytest.mark.slow
@pytest.mark.parametrize("index", COIL_KNOWN)
def test_with_the_coil_known_it_is_within_a_hundredth(index: int) -> None:
    checked(index, "coil known")


@pytest.mark.parametrize("index", COIL_UNKNOWN)
def test_with_the_coil_unknown_it_is_within_a_hundredth(index: int) -> None:
    checked(index, "coil unknown")


@pytest.mark.slow
@pytest.mark.parametrize("index", MORE)
def test_more_are_within_a_hundredth(index: int) -> None:
    checked(index, "coil known" if index in (7, 14, 17) else "coil unknown")
