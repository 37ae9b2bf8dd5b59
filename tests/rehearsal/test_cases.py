"""Generated cases keep their rules and come out the same every time."""

from __future__ import annotations

import math

import numpy as np
import pytest

from faults.forms.rehearsal import read_rehearsal, rehearsal_document
from faults.rehearsal.cases import (
    FAMILIES,
    LEAST_OVER_TRIP,
    NO_NOISE,
    Family,
    large_case,
    make_case,
)
from faults.rehearsal.layouts import SHAPES, Shape
from sites.network.elements import WirePath
from sites.network.faults import Condition, Fault, Place
from sites.network.solve import solve

INDICES = range(12)


def controller_ma(path: WirePath, condition: Condition | None = None) -> float:
    return abs(solve(path, condition or Condition()).controller_current_a) * 1000.0


def lowest_v(path: WirePath) -> float:
    solution = solve(path)
    return min(abs(solution.voltage_v(device.node)) for device in path.devices)


@pytest.mark.parametrize("family", FAMILIES)
def test_a_case_is_made_from_its_family_and_index_alone(family: Family) -> None:
    first = make_case(family, 2)
    make_case(family, 1)
    assert make_case(family, 2) == first
    assert make_case(family, 1) != first


@pytest.mark.parametrize("family", FAMILIES)
def test_a_case_fits_the_rehearsal_form(family: Family) -> None:
    truth = make_case(family, 1).rehearsal
    assert read_rehearsal(rehearsal_document(truth)) == truth


@pytest.mark.parametrize("index", INDICES)
def test_a_fault_passes_the_trip_current_of_a_path_that_keeps_its_voltage(index: int) -> None:
    case = make_case("rehearsals", index)
    truth = case.rehearsal
    ground = truth.ground
    assert case.shape == SHAPES[index % 3]
    assert len(truth.survey.devices) == case.devices
    assert 6 <= case.devices <= 400
    assert 800.0 <= ground.trip_ma <= 1500.0
    assert lowest_v(truth.survey) >= 20.0
    assert lowest_v(ground) >= 20.0
    faulted_ma = controller_ma(ground, Condition(faults=truth.faults))
    assert faulted_ma >= LEAST_OVER_TRIP * ground.trip_ma
    # With the fault gone the message has to clear.
    assert controller_ma(ground) <= 0.85 * ground.trip_ma
    assert 0.5 <= (truth.faults[0].resistance_ohm or 0.0) <= 20.0
    assert 60.0 - 0.01 <= abs(truth.coil_ohm) <= 200.0 + 0.01
    assert 1.5 - 1e-3 <= truth.coil_ohm.imag / truth.coil_ohm.real <= 3.0 + 1e-3


def test_the_ground_differs_from_the_map_in_draws_alone() -> None:
    truth = make_case("rehearsals", 5).rehearsal
    survey, ground = truth.survey, truth.ground
    assert ground.nodes == survey.nodes
    assert ground.segments == survey.segments
    mapped = np.array([device.draw_ma for device in survey.devices])
    actual = np.array([device.draw_ma for device in ground.devices])
    drawing = mapped > 0.0
    ratios = np.log(actual[drawing] / mapped[drawing])
    assert ratios.std() > 0.1


def test_cases_vary() -> None:
    cases = [make_case("rehearsals", index) for index in range(60)]
    kinds = [case.rehearsal.faults[0].at.kind for case in cases]
    # A third each of 60: 20, standard deviation 3.65.
    assert all(kinds.count(kind) > 8 for kind in ("device", "splice", "segment"))
    known = sum(case.rehearsal.coil_known for case in cases)
    assert 18 <= known <= 42
    assert min(case.devices for case in cases) < 20
    assert max(case.devices for case in cases) > 200
    conductors = {s.conductor for case in cases for s in case.rehearsal.survey.segments}
    assert conductors == {"AWG 12", "AWG 14", "AWG 16", "2.5 mm2"}
    access = [n.access for case in cases for n in case.rehearsal.survey.nodes]
    assert 0.02 < access.count("buried") / len(access) < 0.15
    lengths = [s.length_m for case in cases for s in case.rehearsal.survey.segments]
    assert min(lengths) > 0.0


@pytest.mark.parametrize("index", range(3))
def test_noise_free_differs_by_the_meter_alone(index: int) -> None:
    noisy = make_case("rehearsals", index).rehearsal
    exact = make_case("noise-free", index).rehearsal
    assert exact.meter == NO_NOISE
    assert exact.survey == noisy.survey
    assert exact.actual == noisy.actual
    assert exact.faults == noisy.faults
    assert exact.coil_ohm == noisy.coil_ohm


@pytest.mark.parametrize("index", range(3))
def test_sound_and_controller_cases_have_sound_ground(index: int) -> None:
    sound, broken = make_case("sound", index).rehearsal, make_case("controller", index).rehearsal
    assert sound.faults == (Fault("short", Place("none")),)
    assert broken.faults == (Fault("short", Place("controller")),)
    for truth in (sound, broken):
        assert controller_ma(truth.ground) < truth.ground.trip_ma


@pytest.mark.parametrize("index", range(3))
def test_an_overload_passes_the_trip_current_by_its_draws_alone(index: int) -> None:
    truth = make_case("overload", index).rehearsal
    ratio = controller_ma(truth.ground) / truth.ground.trip_ma
    assert 1.05 - 1e-3 <= ratio <= 1.5 + 1e-3
    assert controller_ma(truth.survey) < truth.survey.trip_ma


@pytest.mark.parametrize("index", range(3))
def test_on_heavy_paths_sound_devices_draw_over_half_of_the_reading(index: int) -> None:
    truth = make_case("heavy", index).rehearsal
    assert len(truth.survey.devices) == 400
    assert lowest_v(truth.ground) >= 20.0
    sound_ma = controller_ma(truth.ground, Condition(coil_ohm=truth.coil_ohm))
    condition = Condition(coil_ohm=truth.coil_ohm, faults=truth.faults)
    assert sound_ma / controller_ma(truth.ground, condition) >= 0.5


@pytest.mark.parametrize("shape", SHAPES)
def test_large_cases_have_the_size_asked_for(shape: Shape) -> None:
    case = large_case(1000, shape, 0)
    assert len(case.rehearsal.survey.devices) == 1000
    assert case == large_case(1000, shape, 0)


def test_shapes_are_what_they_are_called() -> None:
    """Deepest node in hops: all of them on a straight path, some tens on a bushy one."""
    depths = {}
    for shape in SHAPES:
        path = large_case(1000, shape, 1).rehearsal.survey
        depth = {path.controller.id: 0}
        for segment in path.segments:
            depth[segment.to_node] = depth[segment.from_node] + 1
        depths[shape] = max(depth.values())
    assert depths["straight"] == 1010
    assert 4 * math.log(1000) > depths["bushy"] > math.log(1000)
    assert depths["bushy"] < depths["branching"] < depths["straight"]
