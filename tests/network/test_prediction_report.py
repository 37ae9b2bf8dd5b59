"""The report of readings that ``predict`` puts out."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from sites.network.errors import FloatingEarthFault
from sites.network.faults import Condition, Fault, Place
from sites.network.prediction_report import prediction_report
from sites.network.solve import solve
from tests.network.named_networks import BRANCHING, RING, field_path, network, with_open_joint

COIL = 40.0 + 100.0j


def test_a_hand_worked_report() -> None:
    """10 V, 1 Ω, 9 Ω with 9 Ω across it at its lead: 10 / 5.5 A, all of it in D1's lead."""
    path = network([((0, 1), 1.0)], [(1, 9.0)], source_v=10.0)
    fault = Fault("short", Place("device", "D1"), 9.0)
    report = prediction_report(path, Condition(faults=(fault,)))
    ma = pytest.approx(10000.0 / 5.5, abs=1e-6)
    assert report["reference_ma"] == ma
    assert report["readings"] == [
        {"node": "N0", "wire": "S1", "current_ma": ma},
        {"node": "N1", "wire": "S1", "current_ma": ma},
        {"node": "N1", "wire": "D1", "current_ma": ma},
    ]
    assert report["voltages"] == [
        {"node": "N0", "v": 10.0},
        {"node": "N1", "v": pytest.approx(4.5 * 10.0 / 5.5, abs=1e-6)},
    ]
    assert set(report) == {"basis", "reference_ma", "readings", "voltages"}


def test_every_wire_of_every_node_is_there_once() -> None:
    path = with_open_joint(field_path(RING), "S4")
    report = prediction_report(path, Condition(coil_ohm=COIL))
    places = [(row["node"], row["wire"]) for row in report["readings"]]
    expected = {(s.from_node, s.id) for s in path.segments}
    expected |= {(s.to_node, s.id) for s in path.segments}
    expected |= {(d.node, d.id) for d in path.devices}
    assert len(places) == len(set(places))
    assert set(places) == expected
    assert [row["node"] for row in report["voltages"]] == [node.id for node in path.nodes]


def test_conductor_b_is_told_only_where_it_differs() -> None:
    path = replace(field_path(BRANCHING), earth_reference_ohm=15.0)
    leak = Fault("earth", Place("splice", "N3"), 80.0, "a")
    condition = Condition(coil_ohm=COIL, faults=(leak,))
    report = prediction_report(path, condition)
    differing = {row["wire"] for row in report["readings"] if "conductor_b_ma" in row}
    assert differing == {"S1", "S2", "S3"}
    solution = solve(path, condition)
    row = next(r for r in report["readings"] if (r["node"], r["wire"]) == ("N2", "S3"))
    assert row["conductor_b_ma"] == pytest.approx(solution.current_ma("N2", "S3", "b"), abs=1e-6)
    sound = prediction_report(field_path(BRANCHING))
    assert not any("conductor_b_ma" in row for row in sound["readings"])


def test_the_basis_says_what_was_used() -> None:
    path = with_open_joint(field_path(RING), "S3")
    faults = (
        Fault("short", Place("segment", "S2"), 4.0, fraction=0.3),
        Fault("open", Place("device", "D4"), conductor="b"),
        Fault("short", Place("controller"), 1.0),
    )
    condition = Condition(
        coil_ohm=COIL,
        faults=faults,
        isolated=frozenset({Place("splice", "N2")}),
        joints_open=frozenset({("S4", "from")}),
        joints_closed=frozenset({("S3", "to")}),
    )
    basis = prediction_report(path, condition)["basis"]
    assert basis["series_coil_ohm"] == [40.0, 100.0]
    assert basis["source_ohm"] == [0.4, 0.1]
    assert basis["conductor_temp_c"] == 27.0
    assert basis["solver"] == "tree"
    assert basis["joints_open"] == [{"segment": "S4", "end": "from"}]
    assert basis["isolated"] == [{"splice": "N2"}]
    assert basis["faults"] == [
        {"kind": "short", "at": {"segment": "S2", "fraction": 0.3}, "resistance_ohm": 4.0},
        {"kind": "open", "at": {"device": "D4"}, "conductor": "b"},
        {"kind": "short", "at": {"controller": True}, "resistance_ohm": 1.0},
    ]


def test_the_report_is_json_without_nan() -> None:
    path = with_open_joint(field_path(BRANCHING), "S1")
    report = prediction_report(path, Condition(coil_ohm=COIL))
    again = json.loads(json.dumps(report, allow_nan=False))
    assert again == report
    assert next(row["v"] for row in again["voltages"] if row["node"] == "N3") == 0.0


def test_what_cannot_be_solved_is_not_reported() -> None:
    leak = Fault("earth", Place("splice", "N1"), 10.0, "a")
    with pytest.raises(FloatingEarthFault):
        prediction_report(field_path(BRANCHING), Condition(faults=(leak,)))
