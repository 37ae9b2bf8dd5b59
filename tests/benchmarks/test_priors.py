"""The benchmark of histories: what its years know, and that its rows say what was traced."""

from __future__ import annotations

import numpy as np

from benchmarks.bench_priors import WORLDS, WRONG_CASES, priors_keys, priors_row, priors_section
from benchmarks.prior_years import YEARS, histories, known_units, make_world


def test_each_key_comes_once() -> None:
    keys = priors_keys()
    assert len(set(keys)) == len(keys) == sum(WORLDS.values()) * (YEARS - 1) + WRONG_CASES


def test_a_year_knows_the_years_before_it_and_no_more() -> None:
    world = make_world("trouble", 0)
    for year in (2, 4):
        units, first = known_units(world, year)
        told = [hit for earlier in world.failures[: year - 1] for hit in earlier]
        assert units.counts.sum() == len(told) > 0
        for path, place in told:
            assert units.counts[first[path] + place, 0] > 0
        # A path is watched for as many years; a cable by its metres.
        assert units.energised[0, 0] == 365.25 * (year - 1)
    inside = [one.in_trouble for one in world.paths]
    assert [bool(one.any()) for one in inside] == [number < 4 for number in range(len(inside))]


def test_worlds_of_equal_rates_are_equal() -> None:
    for one in make_world("equal", 1).paths:
        a_metre = one.rate / one.amount
        for kind in range(3):
            assert np.ptp(a_metre[one.kind == kind]) < 1e-12


def test_one_year_of_equal_rates_tells_next_to_nothing() -> None:
    told = histories("equal", 0, 2)
    assert told.count(None) >= 8
    assert all(row.factor < 1.5 for one in told if one for row in one.places)


def test_a_row_is_told_in_the_section() -> None:
    row = priors_row("wrong-00005") | {"key": "wrong-00005"}
    (pair,) = row["traces"]
    assert not pair["same"]
    assert (pair["plain"]["proved"], pair["with"]["wrong"]) == (True, False)
    told = priors_section([row])
    assert "| histories as wrong as can be | 1 | 100.00 % |" in told
    wrongly = row | {"traces": [pair | {"with": pair["with"] | {"wrong": True}}]}
    assert "| 0 | 1 | 100.00 % |" in priors_section([wrongly])
