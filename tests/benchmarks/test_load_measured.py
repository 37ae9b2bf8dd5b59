"""Rows of the load are told as old once anything changed that answers a request."""

from __future__ import annotations

import pytest

from benchmarks import runner
from benchmarks.catalogue import benchmark_of
from benchmarks.runner import ROOT


@pytest.mark.parametrize(
    "file",
    [
        "api/throttles.py",
        "api/faults/traces.py",
        "core/counting.py",
        "core/settings/rest.py",
        "sites/services/properties.py",
        "sites/network/tree_solver.py",
        "faults/services/observations.py",
        "faults/tracing/planner.py",
    ],
)
def test_the_load_measures_what_answers_requests(file: str) -> None:
    place = ROOT / file
    assert place.is_file()
    measured = benchmark_of("load").measured
    assert any(place.parent == ROOT / name for name in measured)


def test_the_load_s_code_is_other_code_than_the_engine_s() -> None:
    assert runner.code_digest(benchmark_of("load").measured) != runner.code_digest()
