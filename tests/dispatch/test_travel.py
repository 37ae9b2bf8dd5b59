"""Distances by great circle against known ones, and matrices as given."""

from __future__ import annotations

import numpy as np
import pytest

from faults.dispatch.errors import DispatchError
from faults.dispatch.travel import Place, Travel, great_circle_m, great_circle_travel


@pytest.mark.parametrize(
    ("start", "stop", "metres"),
    [
        # Haversine with the mean radius of 6371008.8 m, worked out apart from this code.
        (Place(40.6, -73.8), Place(51.6, -0.5), 5536891.98722763),
        (Place(34.05, -118.25), Place(34.051, -118.249), 144.40323287),
        (Place(0.0, 179.5), Place(0.0, -179.5), 111195.08023353),
        (Place(10.0, 10.0), Place(10.0, 10.0), 0.0),
    ],
)
def test_great_circles_are_as_long_as_known(start: Place, stop: Place, metres: float) -> None:
    assert great_circle_m([start, stop])[0, 1] == pytest.approx(metres, rel=1e-9)
    assert great_circle_m([start, stop])[1, 0] == pytest.approx(metres, rel=1e-9)


def test_driving_takes_distance_by_factor_and_speed_rounded_up() -> None:
    places = {"a": Place(0.0, 0.0), "b": Place(0.0, 0.1)}
    travel = great_circle_travel(places, speed_km_h=60.0, road_factor=1.5)
    # 11.1195 km of great circle are 16.679 km of road, as many minutes at 60 km/h.
    assert travel.between("a", "b") == 17
    assert travel.between("a", "a") == 0


def test_a_given_matrix_need_not_be_the_same_both_ways() -> None:
    travel = Travel.given(["a", "b"], [[0, 3.2], [5.0, 0]])
    assert (travel.between("a", "b"), travel.between("b", "a")) == (4, 5)


@pytest.mark.parametrize(
    ("names", "minutes", "told"),
    [
        (["a"], [[0, 1], [1, 0]], "expected 1 by 1"),
        (["a", "b"], [[0, -1], [1, 0]], "at least 0"),
        (["a", "b"], [[1, 1], [1, 0]], "from a place to itself"),
        (["a", "a"], [[0, 1], [1, 0]], "named twice"),
        (["a", "b"], [[0, np.nan], [1, 0]], "finite"),
    ],
)
def test_a_matrix_that_makes_no_sense_is_refused(
    names: list[str], minutes: list[list[float]], told: str
) -> None:
    with pytest.raises(DispatchError, match=told):
        Travel.given(names, minutes)


def test_places_speeds_and_factors_are_checked() -> None:
    with pytest.raises(DispatchError, match="no such point"):
        Place(91.0, 0.0)
    with pytest.raises(DispatchError, match="speed above 0"):
        great_circle_travel({"a": Place(0, 0)}, speed_km_h=0.0)
    with pytest.raises(DispatchError, match="at least 1"):
        great_circle_travel({"a": Place(0, 0)}, road_factor=0.9)


def test_given_legs_take_the_place_of_those_by_distance_where_both_ends_are_known() -> None:
    by_distance = Travel.given(["a", "b", "c"], [[0, 1, 2], [1, 0, 3], [2, 3, 0]])
    given = Travel.given(["c", "far", "a"], [[0, 9, 20], [9, 0, 9], [30, 9, 0]])
    both = by_distance.with_legs(given)
    assert both.minutes.tolist() == [[0, 1, 30], [1, 0, 3], [20, 3, 0]]
    assert by_distance.between("a", "c") == 2
