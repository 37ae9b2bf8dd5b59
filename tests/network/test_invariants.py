"""What holds on every path: Kirchhoff, energy, equal solvers, reciprocity, monotony."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from sites.network.conductors import conductor_ohm_per_km
from sites.network.elements import WirePath
from sites.network.faults import Condition, Fault, Place
from sites.network.prepared import prepare
from sites.network.solution import Solution
from sites.network.solve import solve, solve_in_full
from tests.network.paths import conditions, wire_paths

TOLERANCE_A = 1e-9


def leaving(solution: Solution, node_id: str, conductor: str) -> complex:
    """Sum of the currents out of a node into its wires, b counted back as the phasors are."""
    path = solution.prepared.path
    current = solution.wire_current_a if conductor == "a" else solution.wire_current_b_a
    total = 0j
    for segment in path.segments:
        if segment.from_node == node_id:
            total += current(node_id, segment.id)
        if segment.to_node == node_id:
            total -= current(node_id, segment.id)
    return total + sum(current(node_id, d.id) for d in path.devices if d.node == node_id)


def splice_shorts_a(solution: Solution, condition: Condition, node_id: str) -> complex:
    return sum(
        (
            solution.voltage_v(node_id) / (fault.resistance_ohm or math.nan)
            for fault in condition.faults
            if fault.kind == "short" and fault.at == Place("splice", node_id)
        ),
        0j,
    )


def assert_kirchhoff(solution: Solution, condition: Condition) -> None:
    path = solution.prepared.path
    scale = 1.0 + abs(solution.controller_current_a)
    for node in path.nodes:
        fed = solution.controller_current_a if node.kind == "controller" else 0j
        for conductor in "ab":
            out = leaving(solution, node.id, conductor)
            out += splice_shorts_a(solution, condition, node.id)
            assert abs(out - fed) < TOLERANCE_A * scale, (node.id, conductor)


@given(st.data())
def test_kirchhoff_holds_at_every_node_in_both_conductors(data: st.DataObject) -> None:
    path = data.draw(wire_paths(linear=False))
    condition = data.draw(conditions(path, ("short",)))
    assert_kirchhoff(solve(path, condition), condition)
    assert_kirchhoff(solve_in_full(prepare(path), condition), condition)


@given(st.data())
def test_kirchhoff_holds_with_opens(data: st.DataObject) -> None:
    """At a splice that is open itself the wires do not meet, so only opens elsewhere count."""
    path = data.draw(wire_paths())
    condition = data.draw(conditions(path, ("short", "open")))
    assume(not any(f.kind == "open" and f.at.kind == "splice" for f in condition.faults))
    assert_kirchhoff(solve(path, condition), condition)


@given(st.data())
def test_what_leaks_to_earth_comes_back_through_the_reference(data: st.DataObject) -> None:
    """Conductor by conductor at every node that does not itself leak; in sum over the path."""
    drawn = data.draw(wire_paths())
    path = replace(drawn, earth_reference_ohm=20.0)
    place = data.draw(st.sampled_from([Place("splice", node.id) for node in path.nodes]))
    conductor = data.draw(st.sampled_from(("a", "b")))
    fault = Fault("earth", place, 30.0, conductor)
    solution = solve(path, Condition(faults=(fault,)))
    gaps = {}
    for node in path.nodes:
        fed = solution.controller_current_a if node.kind == "controller" else 0j
        for name in "ab":
            gaps[node.id, name] = fed - leaving(solution, node.id, name)
    leaked = gaps.pop((place.id, conductor))
    controller_b = (path.controller.id, "b")
    if (place.id, conductor) != controller_b:
        # b counts backwards, and the reference gives back there what leaked.
        back = gaps.pop(controller_b)
        assert abs(leaked - back if conductor == "a" else leaked + back) < TOLERANCE_A
    assert max(map(abs, gaps.values()), default=0.0) < TOLERANCE_A


@given(st.data())
def test_energy_is_accounted_for(data: st.DataObject) -> None:
    """What the source gives, real and reactive, is what its parts take, one by one."""
    path = data.draw(wire_paths(linear=False))
    condition = data.draw(conditions(path, ("short",), most=2))
    solution = solve(path, condition)
    given_va = path.source_v * solution.controller_current_a.conjugate()
    source_ohm = path.source_ohm + (condition.coil_ohm or 0j)
    taken_va = source_ohm * abs(solution.controller_current_a) ** 2
    for node in path.nodes:
        volt = solution.voltage_v(node.id)
        taken_va += volt * splice_shorts_a(solution, condition, node.id).conjugate()
    for device in path.devices:
        lead = solution.wire_current_a(device.node, device.id)
        taken_va += solution.voltage_v(device.node) * lead.conjugate()
    for segment in path.segments:
        taken_va += segment_va(solution, condition, segment.id)
    assert taken_va == pytest.approx(given_va, abs=1e-8 * (1.0 + abs(given_va)))
    assert given_va.real >= -1e-9


def segment_va(solution: Solution, condition: Condition, segment_id: str) -> complex:
    """Power into the two ends of a segment, worked out from the inside: I²Z, charge, shorts."""
    path = solution.prepared.path
    segment = next(s for s in path.segments if s.id == segment_id)
    km = segment.length_m / 1000.0
    per_km = conductor_ohm_per_km(segment.conductor, path.conductor_temp_c)
    loop_ohm = 2.0 * km * complex(per_km, segment.reactance_ohm_per_km)
    half = 1j * math.pi * path.frequency_hz * path.capacitance_nf_per_km * 1e-9 * km
    shorts = sorted(
        (f.fraction, f.resistance_ohm or math.nan)
        for f in condition.faults
        if f.at == Place("segment", segment_id)
    )
    start = (segment.from_node, "from")
    stop = (segment.to_node, "to")
    direction = 1.0
    if is_apart(path, condition, segment_id, "from"):
        # Walk from the end that is joined; where neither is, nothing flows.
        start, stop, direction = stop, start, -1.0
        shorts = sorted((1.0 - fraction, ohm) for fraction, ohm in shorts)
        if is_apart(path, condition, segment_id, "to"):
            return 0j
    volt = solution.voltage_v(start[0])
    series = direction * solution.wire_current_a(start[0], segment_id) - half * volt
    total, done = volt * (half * volt).conjugate(), 0.0
    for fraction, ohm in [*shorts, (1.0, math.inf)]:
        share = (fraction - done) * loop_ohm
        total += share * abs(series) ** 2
        volt -= share * series
        total += abs(volt) ** 2 / ohm
        series -= volt / ohm
        done = fraction
    total += volt * (half * volt).conjugate()
    if not is_apart(path, condition, segment_id, stop[1]):
        assert volt == pytest.approx(solution.voltage_v(stop[0]), abs=1e-8)
    out = direction * solution.wire_current_a(stop[0], segment_id)
    assert series - half * volt == pytest.approx(out, abs=1e-9)
    return total


def is_apart(path: WirePath, condition: Condition, segment_id: str, end: str) -> bool:
    segment = next(s for s in path.segments if s.id == segment_id)
    node_id = segment.from_node if end == "from" else segment.to_node
    off = segment_id in condition.legs_off and node_id == path.controller.id
    return off or segment.joint_open == end or (segment_id, end) in condition.joints_open


@given(st.data())
def test_the_tree_solver_and_the_sparse_one_agree(data: st.DataObject) -> None:
    path = data.draw(wire_paths("tree", linear=False))
    condition = data.draw(conditions(path, ("short", "open")))
    assume(not any(f.kind == "open" and f.at == Place("splice", "N0") for f in condition.faults))
    tree, full = solve(path, condition), solve_in_full(prepare(path), condition)
    assert (tree.solver, full.solver) == ("tree", "loop")
    scale = 1.0 + abs(tree.controller_current_a)
    assert abs(tree.controller_current_a - full.controller_current_a) < 1e-9 * scale
    assert np.max(np.abs(tree.segment_a - full.segment_a), initial=0.0) < 1e-9 * scale
    assert np.max(np.abs(tree.device_a - full.device_a), initial=0.0) < 1e-9 * scale
    assert np.max(np.abs(tree.node_v - full.node_v)) < 1e-7


def transfer_ohm(path: WirePath, coil: complex, bridged: str, seen: str) -> complex:
    """Change of voltage at ``seen`` for each ampere through a short at ``bridged``."""
    ohm = 7.0
    fault = Fault("short", Place("splice", bridged), ohm)
    sound = solve(path, Condition(coil_ohm=coil))
    shorted = solve(path, Condition(coil_ohm=coil, faults=(fault,)))
    current = shorted.voltage_v(bridged) / ohm
    return (sound.voltage_v(seen) - shorted.voltage_v(seen)) / current


@given(st.data())
def test_reciprocity(data: st.DataObject) -> None:
    path = data.draw(wire_paths())
    names = [node.id for node in path.nodes]
    one, other = data.draw(st.sampled_from(names)), data.draw(st.sampled_from(names))
    sound = solve(path)
    assume(sound.voltage_v(one) != 0.0 and sound.voltage_v(other) != 0.0)
    coil = 5.0 + 8.0j
    there, back = transfer_ohm(path, coil, one, other), transfer_ohm(path, coil, other, one)
    assert there == pytest.approx(back, abs=1e-7 * (1.0 + abs(there)))


@given(st.data())
def test_the_fault_current_falls_as_the_fault_resistance_rises(data: st.DataObject) -> None:
    path = data.draw(wire_paths())
    place = data.draw(st.sampled_from([node.id for node in path.nodes]))
    coil = data.draw(st.sampled_from((None, 40.0 + 100.0j)))
    assume(solve(path).voltage_v(place) != 0.0)
    before = math.inf
    for ohm in (0.05, 0.5, 2.0, 9.0, 40.0, 300.0, 5000.0):
        fault = Fault("short", Place("splice", place), ohm)
        volt = abs(solve(path, Condition(coil_ohm=coil, faults=(fault,))).voltage_v(place))
        assert volt / ohm < before
        before = volt / ohm


@given(st.data())
def test_the_way_a_segment_is_drawn_changes_only_its_sign(data: st.DataObject) -> None:
    path = data.draw(wire_paths())
    ends = {"from": "to", "to": "from", None: None}
    turned = tuple(
        replace(s, from_node=s.to_node, to_node=s.from_node, joint_open=ends[s.joint_open])  # type: ignore[arg-type]
        for s in path.segments
    )
    there = solve(path)
    back = solve(replace(path, segments=turned))
    for node_id, wire_id in there.wires():
        sign = -1.0 if wire_id.startswith("S") else 1.0
        assert back.wire_current_a(node_id, wire_id) == pytest.approx(
            sign * there.wire_current_a(node_id, wire_id), abs=1e-10
        )


@given(st.data())
def test_a_sound_segment_may_stand_for_two_in_a_row(data: st.DataObject) -> None:
    """A short of next to nothing's conductance part-way along changes nothing."""
    path = data.draw(wire_paths())
    assume(path.segments)
    segment = data.draw(st.sampled_from(path.segments))
    fraction = data.draw(st.floats(0.01, 0.99))
    fault = Fault("short", Place("segment", segment.id), 1e15, fraction=fraction)
    split, whole = solve(path, Condition(faults=(fault,))), solve(path)
    assert np.allclose(split.segment_a, whole.segment_a, rtol=0.0, atol=1e-8)
