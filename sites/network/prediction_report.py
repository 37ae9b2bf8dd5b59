"""What the meter should read everywhere, in the form that ``predict`` puts out."""

from __future__ import annotations

from typing import Any

from sites.network.elements import WirePath
from sites.network.faults import Condition, Fault, Place
from sites.network.solution import Solution
from sites.network.solve import AS_BUILT, solve

SAME_MA = 1e-6
"""Conductors whose phasors differ by less read the same."""

_DECIMALS = 6


def prediction_report(path: WirePath, condition: Condition = AS_BUILT) -> dict[str, Any]:
    """The reading at every wire of every node, and the voltages, ready for JSON.

    ``basis``: what was used; ``reference_ma``: conductor a at the controller; ``readings``:
    conductor a, with ``conductor_b_ma`` where b carries something else.

    Raises ``NetworkError`` where the path cannot be solved.
    """
    solution = solve(path, condition)
    return {
        "basis": _basis(path, condition, solution),
        "reference_ma": _rounded(1000.0 * abs(solution.controller_current_a)),
        "readings": [_reading(solution, node, wire) for node, wire in solution.wires()],
        "voltages": [
            {"node": node.id, "v": _rounded(abs(solution.voltage_v(node.id)))}
            for node in path.nodes
        ],
    }


def _reading(solution: Solution, node_id: str, wire_id: str) -> dict[str, Any]:
    reading: dict[str, Any] = {
        "node": node_id,
        "wire": wire_id,
        "current_ma": _rounded(solution.current_ma(node_id, wire_id)),
    }
    if solution.current_ma(node_id, wire_id, conductor="both") > SAME_MA:
        reading["conductor_b_ma"] = _rounded(solution.current_ma(node_id, wire_id, conductor="b"))
    return reading


def _basis(path: WirePath, condition: Condition, solution: Solution) -> dict[str, Any]:
    coil = condition.coil_ohm
    return {
        "label": path.label,
        "solver": solution.solver,
        "frequency_hz": path.frequency_hz,
        "source_v": path.source_v,
        "source_ohm": [path.source_ohm.real, path.source_ohm.imag],
        "series_coil_ohm": None if coil is None else [coil.real, coil.imag],
        "conductor_temp_c": path.conductor_temp_c,
        "capacitance_nf_per_km": path.capacitance_nf_per_km,
        "earth_reference_ohm": path.earth_reference_ohm,
        "faults": [_fault(fault) for fault in condition.faults],
        "isolated": sorted((_place(place) for place in condition.isolated), key=repr),
        "legs_off": sorted(condition.legs_off),
        "joints_open": _joints(path, condition),
        "alone": condition.alone,
    }


def _joints(path: WirePath, condition: Condition) -> list[dict[str, str]]:
    """All joints that are apart: the survey's own and those opened, less those closed again."""
    built = {(s.id, s.joint_open) for s in path.segments if s.joint_open is not None}
    apart = (built - condition.joints_closed) | condition.joints_open
    return [{"segment": segment, "end": end} for segment, end in sorted(apart)]


def _fault(fault: Fault) -> dict[str, Any]:
    at = _place(fault.at)
    if fault.at.kind == "segment":
        at["fraction"] = fault.fraction
    document: dict[str, Any] = {"kind": fault.kind, "at": at}
    if fault.resistance_ohm is not None:
        document["resistance_ohm"] = fault.resistance_ohm
    if fault.conductor is not None:
        document["conductor"] = fault.conductor
    return document


def _place(place: Place) -> dict[str, Any]:
    return {place.kind: place.id or True}


def _rounded(value: float) -> float:
    return round(value, _DECIMALS)
