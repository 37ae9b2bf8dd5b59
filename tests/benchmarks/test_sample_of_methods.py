"""A sample of the benchmark ``methods``: the planner against rules, on the same cases in pairs."""

from __future__ import annotations

from functools import cache

import pytest

from benchmarks.bench_methods import method_row, search_pairs
from benchmarks.limits import mean_of
from benchmarks.runner import Row

pytestmark = pytest.mark.slow

CASES = 12
# Mean ratio of search minutes, and ratio of their sums: 600 cases gave 0.70 and 0.30 against
# going outward, 0.89 and 0.73 against halving, 0.99 and 0.98 against places ruled out a minute.
LIMITS = {"outward": (0.9, 0.75), "halving": (1.0, 0.95), "per-minute": (1.05, 1.05)}


@cache
def rows() -> tuple[Row, ...]:
    return tuple(method_row(f"rehearsals-{index:05d}") for index in range(CASES))


@pytest.mark.parametrize("method", LIMITS)
def test_the_planner_takes_fewer_minutes_than(method: str) -> None:
    pairs = search_pairs(method, list(rows()))
    assert len(pairs) >= CASES - 2
    most_mean, most_of_totals = LIMITS[method]
    assert mean_of([ours / theirs for ours, theirs in pairs]).mean <= most_mean
    assert sum(ours for ours, _ in pairs) <= most_of_totals * sum(theirs for _, theirs in pairs)


def test_none_is_wrongly_proved_by_any_method() -> None:
    played = [one for row in rows() for one in row["by"].values()]
    assert not [one for one in played if one.get("wrong") or "endless" in one]
