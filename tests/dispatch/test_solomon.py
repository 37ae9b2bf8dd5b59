"""Published routing instances through the planning interface: lengths, never routes."""

from __future__ import annotations

import pytest

from faults.dispatch.solve import Effort, solve
from tests.dispatch.checker import defects
from tests.dispatch.solomon import BEST_KNOWN, PROVED_SMALL, solomon_problem


def length_of(name: str, customers: int, effort: Effort) -> float:
    given = solomon_problem(name, customers)
    plan = solve(given, effort)
    assert defects(given, plan) == []
    assert plan.left_out == ()
    return plan.figures.drive_min / 10.0


@pytest.mark.parametrize(("name", "customers"), PROVED_SMALL)
def test_small_ones_are_as_short_as_proved_by_trying_all_routes(name: str, customers: int) -> None:
    found = length_of(name, customers, Effort(iterations=400, rounds=50))
    assert found == PROVED_SMALL[name, customers]


@pytest.mark.parametrize("name", ["C101", "C201", "R101", "RC101"])
def test_twenty_five_customers_are_optimal(name: str) -> None:
    assert length_of(name, 25, Effort(iterations=1500, rounds=0)) == BEST_KNOWN[name, 25]


@pytest.mark.slow
@pytest.mark.parametrize("name", ["C101", "C201", "R101", "RC101"])
def test_fifty_customers_are_optimal(name: str) -> None:
    assert length_of(name, 50, Effort(iterations=8000, rounds=0)) == BEST_KNOWN[name, 50]


@pytest.mark.slow
@pytest.mark.parametrize("name", ["C101", "C201", "R101", "RC101"])
def test_a_hundred_customers_are_within_two_percent(name: str) -> None:
    found = length_of(name, 100, Effort(iterations=8000, rounds=0))
    assert BEST_KNOWN[name, 100] <= found <= 1.02 * BEST_KNOWN[name, 100]
