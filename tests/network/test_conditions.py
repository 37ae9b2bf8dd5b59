"""What a condition means: legs, joints, isolated places, a device alone, and what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sites.network.errors import (
    FloatingEarthFault,
    IncompleteFault,
    NetworkError,
    UnknownElement,
)
from sites.network.faults import Condition, Fault, Place
from sites.network.prepared import prepare
from sites.network.solve import solve, solve_in_full, solve_prepared
from tests.network.named_networks import (
    BRANCHING,
    RING,
    STRAIGHT,
    field_path,
    network,
    with_open_joint,
)

COIL = 40.0 + 100.0j
BRANCHED = field_path(BRANCHING)


def short(kind: str, element_id: str, ohm: float = 3.0, fraction: float = 0.5) -> Fault:
    return Fault("short", Place(kind, element_id), ohm, fraction=fraction)  # type: ignore[arg-type]


def with_faults(*faults: Fault, **more: object) -> Condition:
    return Condition(faults=faults, **more)  # type: ignore[arg-type]


def same(one: object, other: object) -> None:
    for name in ("node_v", "segment_a", "device_a"):
        assert np.allclose(getattr(one, name), getattr(other, name), rtol=0, atol=1e-12)


def test_a_hand_worked_short_at_a_device_flows_through_its_lead() -> None:
    """10 V, spans of 1 Ω, a device of 8 Ω at N1 and one of 7 Ω at N2, bridged by 1 Ω.

    Beyond N1: 1 + 7·1/(7+1) = 1.875 Ω; with 8 Ω beside: 15/9.875 Ω; plus 1 Ω: 2.518987 Ω.
    """
    path = network([((0, 1), 1.0), ((1, 2), 1.0)], [(1, 8.0), (2, 7.0)], source_v=10.0)
    solution = solve(path, with_faults(short("device", "D2", 1.0)))
    total = 10.0 / (1.0 + 15.0 / 9.875)
    assert solution.controller_current_a == pytest.approx(total)
    beyond = total * 8.0 / 9.875
    assert solution.wire_current_a("N1", "S2") == pytest.approx(beyond)
    assert solution.wire_current_a("N2", "D2") == pytest.approx(beyond)
    assert solution.voltage_v("N2") == pytest.approx(beyond * 0.875)
    at_splice = solve(path, with_faults(short("splice", "N2", 1.0)))
    assert at_splice.wire_current_a("N1", "S2") == pytest.approx(beyond)
    assert at_splice.wire_current_a("N2", "D2") == pytest.approx(beyond * 0.875 / 7.0)


def test_the_two_ends_of_a_segment_with_a_short_differ() -> None:
    """10 V, 1 Ω with 2 Ω across at 0.25, then 9.25 Ω more: 0.25 + 2·10/12 Ω in all."""
    path = network([((0, 1), 1.0)], [(1, 9.25)], source_v=10.0)
    solution = solve(path, with_faults(short("segment", "S1", 2.0, 0.25)))
    near = 10.0 / (0.25 + 2.0 * 10.0 / 12.0)
    assert solution.wire_current_a("N0", "S1") == pytest.approx(near)
    assert solution.wire_current_a("N1", "S1") == pytest.approx(near * 2.0 / 12.0)
    assert solution.voltage_v("N1") == pytest.approx(near * 2.0 / 12.0 * 9.25)


def test_currents_of_a_segment_count_from_from_to_to() -> None:
    forwards = network([((0, 1), 1.0)], [(1, 9.0)], source_v=10.0)
    backwards = network([((1, 0), 1.0)], [(1, 9.0)], source_v=10.0)
    for node_id in ("N0", "N1"):
        assert solve(forwards).wire_current_a(node_id, "S1") == pytest.approx(1.0)
        assert solve(backwards).wire_current_a(node_id, "S1") == pytest.approx(-1.0)
        assert solve(backwards).current_ma(node_id, "S1") == pytest.approx(1000.0)


def test_a_balanced_pair_in_the_jaw_reads_nothing() -> None:
    solution = solve(BRANCHED, with_faults(short("device", "D3"), coil_ohm=COIL))
    for node_id, wire_id in solution.wires():
        assert solution.current_ma(node_id, wire_id, "both") == 0.0
        assert solution.current_ma(node_id, wire_id, "b") == solution.current_ma(node_id, wire_id)


def test_leakage_is_what_the_jaw_sees_of_both_conductors() -> None:
    """By hand: 10 V, leak of 40 Ω from a at N1, reference 9 Ω, spans of 0.5 Ω a conductor."""
    path = replace(network([((0, 1), 1.0)], [], source_v=10.0), earth_reference_ohm=9.0)
    leak = Fault("earth", Place("splice", "N1"), 40.0, "a")
    solution = solve(path, with_faults(leak))
    assert solution.wire_current_a("N0", "S1") == pytest.approx(10.0 / 49.5)
    assert solution.wire_current_b_a("N0", "S1") == pytest.approx(0.0, abs=1e-12)
    assert solution.current_ma("N1", "S1", "both") == pytest.approx(10000.0 / 49.5)


def test_legs_off() -> None:
    both = solve(BRANCHED)
    first = solve(BRANCHED, Condition(legs_off=frozenset({"S7"})))
    second = solve(BRANCHED, Condition(legs_off=frozenset({"S1"})))
    assert second.wire_current_a("N0", "S1") == 0.0
    assert second.voltage_v("N3") == 0.0
    assert abs(second.controller_current_a) > 0.0
    total = first.controller_current_a + second.controller_current_a
    assert total == pytest.approx(both.controller_current_a, rel=0.01)
    nothing = solve(BRANCHED, Condition(legs_off=frozenset({"S1", "S7"}), coil_ohm=COIL))
    assert nothing.controller_current_a == 0.0
    assert nothing.voltage_v("N0") == 28.0


def test_joints_of_the_survey_can_be_closed_and_others_opened() -> None:
    ring = field_path(RING)
    opened = with_open_joint(ring, "S3", "to")
    closed = frozenset({("S3", "to")})
    same(solve(opened, Condition(joints_closed=closed)), solve(ring))  # type: ignore[arg-type]
    apart = Condition(joints_open=frozenset({("S3", "to")}))
    same(solve(ring, apart), solve(opened))
    assert solve(ring).solver == "loop"
    assert solve(opened).solver == "tree"
    assert solve(opened).wire_current_a("N3", "S3") == 0.0


def test_isolating_leaves_the_rest_fed() -> None:
    for place, kind in (
        (Place("device", "D2"), "device"),
        (Place("splice", "N2"), "splice"),
        (Place("segment", "S2"), "segment"),
        (Place("unmapped", "N2"), "unmapped"),
    ):
        condition = with_faults(short(kind, place.id), isolated=frozenset({place}))
        solution = solve(BRANCHED, condition)
        assert abs(solution.voltage_v("N4")) > 27.0
        if kind == "device":
            assert solution.wire_current_a("N2", "D2") == 0.0
            less = replace(BRANCHED, devices=tuple(d for d in BRANCHED.devices if d.id != "D2"))
            assert solution.controller_current_a == pytest.approx(solve(less).controller_current_a)
        else:
            same(solution, solve(BRANCHED))


def test_an_isolated_splice_keeps_its_devices_and_their_faults() -> None:
    condition = with_faults(short("device", "D2"), isolated=frozenset({Place("splice", "N2")}))
    same(solve(BRANCHED, condition), solve(BRANCHED, with_faults(short("device", "D2"))))


def test_alone_is_source_coil_and_that_device_with_its_short() -> None:
    """28 V behind 0.4 + j0.1 and the coil, into 3 Ω beside the device's own resistance."""
    faults = (short("device", "D3"), short("splice", "N2", 0.1))
    solution = solve(BRANCHED, Condition(coil_ohm=COIL, faults=faults, alone="D3"))
    draw_ma = next(d.draw_ma for d in BRANCHED.devices if d.id == "D3")
    device_ohm = 28000.0 / draw_ma
    expected = 28.0 / (0.4 + 0.1j + COIL + 3.0 * device_ohm / (3.0 + device_ohm))
    assert solution.controller_current_a == pytest.approx(expected, abs=1e-12)
    assert solution.wire_current_a("N3", "D3") == pytest.approx(expected, abs=1e-12)
    assert solution.wire_current_a("N0", "S1") == 0.0
    sound = solve(BRANCHED, Condition(coil_ohm=COIL, faults=faults, alone="D5"))
    assert abs(sound.controller_current_a) < 0.02
    isolated = frozenset({Place("device", "D3")})
    lifted = Condition(coil_ohm=COIL, faults=faults, alone="D3", isolated=isolated)
    assert solve(BRANCHED, lifted).controller_current_a == pytest.approx(expected, abs=1e-12)


def test_places_off_the_path_have_no_effect_on_it() -> None:
    for kind in ("controller", "none", "overload", "other"):
        same(solve(BRANCHED, with_faults(Fault("short", Place(kind), 1.0))), solve(BRANCHED))  # type: ignore[arg-type]


def test_an_open_lead_takes_off_the_device_and_its_short() -> None:
    condition = with_faults(
        Fault("open", Place("device", "D4"), conductor="b"), short("device", "D4", 0.5)
    )
    without = replace(BRANCHED, devices=tuple(d for d in BRANCHED.devices if d.id != "D4"))
    for solution in (solve(BRANCHED, condition), solve_in_full(prepare(BRANCHED), condition)):
        assert solution.wire_current_a("N4", "D4") == pytest.approx(0.0, abs=1e-12)
        total = solve(without).controller_current_a
        assert solution.controller_current_a == pytest.approx(total, abs=1e-12)


def test_a_dead_short_and_a_length_of_nothing_are_solved() -> None:
    path = network([((0, 1), 1.0)], [], source_v=10.0)
    path = replace(path, segments=(replace(path.segments[0], length_m=0.0),))
    path = replace(path, source_ohm=2.0 + 0j)
    solution = solve(path, with_faults(short("splice", "N1", 0.0)))
    assert solution.controller_current_a == pytest.approx(5.0, rel=1e-5)
    full = solve_in_full(prepare(path), with_faults(short("splice", "N1", 0.0)))
    assert full.controller_current_a == pytest.approx(solution.controller_current_a, rel=1e-9)


def test_a_path_of_a_controller_alone() -> None:
    path = network([], [], source_v=24.0)
    assert solve(path).controller_current_a == 0.0
    assert solve(path).voltage_v("N0") == 24.0
    assert solve_in_full(prepare(path)).voltage_v("N0") == pytest.approx(24.0)


def test_one_preparation_serves_many_conditions() -> None:
    prepared = prepare(BRANCHED)
    before = solve_prepared(prepared)
    for condition in (
        with_faults(short("device", "D3"), coil_ohm=COIL),
        with_faults(short("segment", "S3"), legs_off=frozenset({"S7"})),
    ):
        same(solve_prepared(prepared, condition), solve(BRANCHED, condition))
    same(solve_prepared(prepared), before)


@pytest.mark.parametrize("kind", ["splice", "device", "segment"])
@pytest.mark.parametrize("conductor", ["a", "b"])
def test_an_earth_fault_on_a_floating_path_is_refused(kind: str, conductor: str) -> None:
    element = {"splice": "N2", "device": "D2", "segment": "S2"}[kind]
    fault = Fault("earth", Place(kind, element), 50.0, conductor)  # type: ignore[arg-type]
    with pytest.raises(FloatingEarthFault, match="earth_reference_ohm"):
        solve(BRANCHED, with_faults(fault))
    isolated = frozenset({fault.at})
    assert solve(BRANCHED, with_faults(fault, isolated=isolated)).solver == "tree"


REFUSED: dict[str, tuple[Condition, type[NetworkError], str]] = {
    "unknown device": (with_faults(short("device", "D99")), UnknownElement, "device 'D99'"),
    "unknown splice": (with_faults(short("splice", "N99")), UnknownElement, "node 'N99'"),
    "unknown segment": (with_faults(short("segment", "N1")), UnknownElement, "segment 'N1'"),
    "unknown isolated": (
        Condition(isolated=frozenset({Place("segment", "S99")})),
        UnknownElement,
        "segment 'S99'",
    ),
    "unknown alone": (Condition(alone="S1"), UnknownElement, "device 'S1'"),
    "unknown joint": (
        Condition(joints_open=frozenset({("S99", "to")})),
        UnknownElement,
        "segment 'S99'",
    ),
    "no leg": (Condition(legs_off=frozenset({"S2"})), NetworkError, "'S2' does not end at"),
    "isolated nowhere": (
        Condition(isolated=frozenset({Place("other")})),
        NetworkError,
        "no place on the path",
    ),
    "short without ohms": (
        with_faults(Fault("short", Place("device", "D1"))),
        IncompleteFault,
        "resistance_ohm",
    ),
    "negative ohms": (with_faults(short("device", "D1", -1.0)), IncompleteFault, ">= 0"),
    "ohms that are no number": (
        with_faults(short("device", "D1", float("nan"))),
        IncompleteFault,
        ">= 0",
    ),
    "open without conductor": (
        with_faults(Fault("open", Place("splice", "N1"))),
        IncompleteFault,
        "conductor",
    ),
    "fraction at the end": (
        with_faults(short("segment", "S1", fraction=1.0)),
        IncompleteFault,
        "fraction",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_read_is_refused(name: str) -> None:
    condition, error, words = REFUSED[name]
    with pytest.raises(error, match=words):
        solve(BRANCHED, condition)


def test_wires_are_asked_for_where_they_are() -> None:
    solution = solve(field_path(STRAIGHT))
    with pytest.raises(UnknownElement, match="wire at node 'N4'"):
        solution.wire_current_a("N4", "S1")
    with pytest.raises(UnknownElement, match="D2"):
        solution.wire_current_a("N1", "D2")
    with pytest.raises(UnknownElement, match="node 'N77'"):
        solution.voltage_v("N77")
    assert len(list(solution.wires())) == 2 * 4 + 4
