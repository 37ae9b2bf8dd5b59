"""The engine's predictions by formula against the circuit engine's solve of the same short."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from faults.tracing.prediction import (
    FaultSet,
    edge_ratio,
    lead_ratio,
    place_faults,
    point_voltage,
    solve_sound,
    voltage_profile,
)
from faults.tracing.tree_view import TreeView, build_tree_view, typical_admittance_s
from sites.network.elements import WirePath
from sites.network.faults import Condition, Fault, Place
from sites.network.solution import Solution
from sites.network.solve import solve
from tests.network.named_networks import BRANCHING, field_path, load, network
from tests.network.paths import wire_paths

NEAR = 1e-9
COIL_OHM = 40.0 + 100.0j
SCALES = np.array([0.3, 1.0, 2.5])


def with_draws_times(path: WirePath, scale: float) -> WirePath:
    devices = tuple(replace(d, draw_ma=d.draw_ma * scale) for d in path.devices)
    return replace(path, devices=devices)


def shorted(view: TreeView, path: WirePath, at: Place, resistance_ohm: float) -> FaultSet:
    """The engine's fault set of one short, at all three draw scales."""
    return place_faults(
        solve_sound(view, SCALES), np.array([point_of(view, path, at)]), np.array([resistance_ohm])
    )


def point_of(view: TreeView, path: WirePath, at: Place) -> int:
    if at.kind == "segment":
        return view.point_of_segment[at.id]
    if at.kind == "splice":
        return view.point_of_node[at.id]
    return view.point_of_node[next(d.node for d in path.devices if d.id == at.id)]


def compare(path: WirePath, view: TreeView, faults: FaultSet, condition: Condition) -> None:
    """Every wire's ratio and every node's voltage at every draw scale."""
    carrying = condition.faults[0].at if condition.faults else None
    for column, scale in enumerate(SCALES):
        truth = solve(with_draws_times(path, float(scale)), condition)
        total = abs(truth.controller_current_a)
        for (node_id, wire), edge in view.edge_of_wire.items():
            expected = 1e-3 * truth.current_ma(node_id, wire) / total
            assert edge_ratio(faults, edge)[0, 0, column] == pytest.approx(expected, abs=NEAR)
        for device in path.devices:
            if device.node not in view.point_of_node:
                continue
            expected = 1e-3 * truth.current_ma(device.node, device.id) / total
            ratio = lead_ratio(
                faults,
                view.point_of_node[device.node],
                typical_admittance_s(device, path),
                np.array([carrying == Place("device", device.id)]),
            )
            assert ratio[0, 0, column] == pytest.approx(expected, abs=NEAR)
        compare_voltages(view, faults, truth, column, path.controller.id)


def compare_voltages(
    view: TreeView, faults: FaultSet, truth: Solution, column: int, controller: str
) -> None:
    terminals = truth.voltage_v(controller)
    for node_id, point in view.point_of_node.items():
        expected = truth.voltage_v(node_id) / terminals
        assert abs(point_voltage(faults, point)[0, 0, column] - expected) < NEAR
    input_ohm = terminals / truth.controller_current_a
    assert abs(faults.input_ohm[0, 0, column] / input_ohm - 1.0) < NEAR


@st.composite
def shorts(draw: st.DrawFn, capacitance_nf_per_km: float | None = 0.0) -> tuple[WirePath, Fault]:
    """A tree and a short somewhere on the part that hangs on the controller."""
    path = draw(wire_paths("tree"))
    if capacitance_nf_per_km is not None:
        path = replace(path, capacitance_nf_per_km=capacitance_nf_per_km)
    view = build_tree_view(path)
    places = [Place("splice", node) for node in view.point_of_node if node != path.controller.id]
    places += [Place("segment", segment) for segment in view.point_of_segment]
    places += [Place("device", d.id) for d in path.devices if d.node in view.point_of_node]
    assume(places)
    at = draw(st.sampled_from(places))
    resistance_ohm = 10.0 ** draw(st.floats(-1.3, 1.8))
    return path, Fault("short", at, resistance_ohm=resistance_ohm, fraction=0.5)


@given(shorts())
@settings(max_examples=25)
def test_every_wire_and_voltage_of_a_short_anywhere(case: tuple[WirePath, Fault]) -> None:
    path, fault = case
    view = build_tree_view(path)
    faults = shorted(view, path, fault.at, float(fault.resistance_ohm or 0.0))
    compare(path, view, faults, Condition(coil_ohm=COIL_OHM, faults=(fault,)))


@given(shorts(capacitance_nf_per_km=2000.0))
@settings(max_examples=15)
def test_the_cables_own_capacitance_is_in_every_voltage(case: tuple[WirePath, Fault]) -> None:
    path, fault = case
    if fault.at.kind == "segment":  # half of its capacitance at each end, none at the fault
        fault = replace(fault, at=Place("splice", path.nodes[-1].id))
    view = build_tree_view(path)
    assume(fault.at.kind == "device" or fault.at.id in view.point_of_node)
    faults = shorted(view, path, fault.at, float(fault.resistance_ohm or 0.0))
    truth = solve(path, Condition(coil_ohm=COIL_OHM, faults=(fault,)))
    compare_voltages(view, faults, truth, 1, path.controller.id)


@given(wire_paths("tree"))
@settings(max_examples=15)
def test_the_sound_path_is_a_fault_set_of_its_own(path: WirePath) -> None:
    path = replace(path, capacitance_nf_per_km=0.0)
    view = build_tree_view(path)
    assume(any(d.draw_ma > 0.01 and d.node in view.point_of_node for d in path.devices))
    sound = place_faults(solve_sound(view, SCALES), np.array([-1]), np.ones(1))
    assert not sound.fault_current.any()
    compare(path, view, sound, Condition(coil_ohm=COIL_OHM))


def test_capacitance_at_a_wires_own_end_hardly_shows_in_its_reading() -> None:
    """What half a cable's capacitance takes at an end flows in that wire, where a clamp sees it."""
    path = replace(field_path(BRANCHING), capacitance_nf_per_km=150.0)
    view = build_tree_view(path)
    fault = Fault("short", Place("splice", "N3"), resistance_ohm=3.0)
    faults = shorted(view, path, fault.at, 3.0)
    truth = solve(path, Condition(coil_ohm=COIL_OHM, faults=(fault,)))
    total = abs(truth.controller_current_a)
    for (node_id, wire), edge in view.edge_of_wire.items():
        expected = 1e-3 * truth.current_ma(node_id, wire) / total
        # The tree leaves out what half a cable takes at its own end: a hundredth of a
        # milliamp of some hundreds.
        assert edge_ratio(faults, edge)[0, 0, 1] == pytest.approx(expected, abs=1e-4), wire


def test_many_places_and_resistances_at_once_are_each_one_by_itself() -> None:
    path = field_path(BRANCHING)
    view = build_tree_view(path)
    sound = solve_sound(view, SCALES)
    points = np.arange(-1, view.size)
    ohms = np.array([0.1, 4.0, 50.0])
    together = place_faults(sound, points, ohms)
    layer = edge_ratio(together, view.edge_of_wire[("N1", "S2")])
    assert layer.shape == (view.size + 1, 3, 3)
    for k, point in enumerate(points):
        for r, ohm in enumerate(ohms):
            alone = place_faults(sound, np.array([point]), np.array([ohm]))
            one = edge_ratio(alone, view.edge_of_wire[("N1", "S2")])
            assert layer[k, r] == pytest.approx(one[0, 0], abs=1e-14)


def test_a_resistance_for_each_place_is_its_own() -> None:
    view = build_tree_view(field_path(BRANCHING))
    sound = solve_sound(view, SCALES)
    own = place_faults(sound, np.array([2, 6]), np.array([[1.0], [9.0]]))
    for k, (point, ohm) in enumerate(((2, 1.0), (6, 9.0))):
        alone = place_faults(sound, np.array([point]), np.array([ohm]))
        assert own.total[k] == pytest.approx(alone.total[0], rel=1e-14)


def test_a_voltage_profile_is_every_points_voltage() -> None:
    path = field_path(BRANCHING)
    view = build_tree_view(path)
    sound = solve_sound(view, SCALES)
    fault = view.point_of_node["N6"]
    faults = place_faults(sound, np.array([fault]), np.array([2.0]))
    profile = voltage_profile(sound, fault, 2.0, 1)
    for point in range(view.size):
        assert profile[point] == pytest.approx(point_voltage(faults, point)[0, 0, 1], abs=1e-12)
    assert voltage_profile(sound, -1, 2.0, 1) == pytest.approx(sound.voltage[:, 1])


def test_a_short_behind_two_known_resistances_by_hand() -> None:
    """1 V, ideal; 2 ohm out, a 10 ohm load, 3 ohm on, a short of 1 ohm there: the short's branch
    is 4 ohm beside 10, so 2 + 20/7 ohm in all and 10/14 of the current goes on."""
    path = network([((0, 1), 2.0 + 0j), ((1, 2), 3.0 + 0j)], [(1, 10.0 + 0j)], source_ohm=0j)
    view = build_tree_view(path)
    faults = place_faults(
        solve_sound(view, np.ones(1)), np.array([view.point_of_node["N2"]]), np.array([1.0])
    )
    assert faults.input_ohm[0, 0, 0] == pytest.approx(2.0 + 20.0 / 7.0)
    assert edge_ratio(faults, view.edge_of_wire[("N1", "S2")])[0, 0, 0] == pytest.approx(
        10.0 / 14.0
    )
    lead = lead_ratio(
        faults,
        view.point_of_node["N1"],
        typical_admittance_s(load(1, 1, 10.0 + 0j, 1.0), path),
        np.array([False]),
    )
    assert lead[0, 0, 0] == pytest.approx(4.0 / 14.0)


def test_a_path_that_draws_nothing_reads_nothing() -> None:
    path = replace(field_path(BRANCHING), devices=())
    view = build_tree_view(path)
    sound = place_faults(solve_sound(view, np.ones(1)), np.array([-1]), np.ones(1))
    assert not edge_ratio(sound, 1).any()
