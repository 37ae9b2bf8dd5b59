"""What a condition does to a path, as indexes and admittances the solvers work with."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import Literal

from sites.network.elements import End
from sites.network.errors import FloatingEarthFault, IncompleteFault, NetworkError, UnknownElement
from sites.network.faults import Condition, Fault, FaultKind, Place
from sites.network.graph import FROM, TO
from sites.network.prepared import LEAST_OHM, PreparedPath

A, B = 0, 1
"""The conductors as indexes."""


@dataclass(frozen=True, slots=True)
class Spot:
    """A fault part-way along a segment. ``conductor`` is -1 for a short."""

    fraction: float
    kind: FaultKind
    conductor: int
    siemens: float


@dataclass(slots=True)
class Effects:
    """Filled while a condition is read, then left alone.

    ``apart``: (segment, end) where both conductors are off their node. ``*_short``: index to
    siemens between the conductors. ``*_leaks``: (index, conductor, siemens) to remote earth.
    ``*_opens``: (index, conductor). ``spots``: by segment, sorted by fraction.
    """

    coil_ohm: complex
    apart: frozenset[tuple[int, int]]
    devices_off: set[int] = field(default_factory=set)
    node_short: dict[int, float] = field(default_factory=lambda: defaultdict(float))
    device_short: dict[int, float] = field(default_factory=lambda: defaultdict(float))
    node_leaks: list[tuple[int, int, float]] = field(default_factory=list)
    device_leaks: list[tuple[int, int, float]] = field(default_factory=list)
    node_opens: set[tuple[int, int]] = field(default_factory=set)
    device_opens: set[tuple[int, int]] = field(default_factory=set)
    spots: dict[int, list[Spot]] = field(default_factory=lambda: defaultdict(list))

    @property
    def leaks(self) -> bool:
        """Whether anything is connected to earth besides the reference."""
        spots = any(spot.kind == "earth" for spots in self.spots.values() for spot in spots)
        return bool(self.node_leaks or self.device_leaks) or spots


def effects_of(prepared: PreparedPath, condition: Condition) -> Effects:
    """Read a condition against a path.

    Raises ``UnknownElement``, ``IncompleteFault``, ``FloatingEarthFault``, or ``NetworkError``
    for a leg that does not end at the controller.
    """
    effects = Effects(coil_ohm=condition.coil_ohm or 0j, apart=_apart(prepared, condition))
    for place in condition.isolated:
        _check_isolated(prepared, place)
        if place.kind == "device":
            effects.devices_off.add(prepared.device_of[place.id])
    for fault in condition.faults:
        if fault.at not in condition.isolated:
            _add(prepared, effects, fault)
    for spots in effects.spots.values():
        spots.sort(key=lambda spot: spot.fraction)
    if effects.leaks and prepared.path.earth_reference_ohm is None:
        raise FloatingEarthFault(
            "a fault to earth draws nothing on a path that is nowhere connected to earth: set "
            "earth_reference_ohm, or leave the fault out"
        )
    return effects


def _apart(prepared: PreparedPath, condition: Condition) -> frozenset[tuple[int, int]]:
    opened = {_joint(prepared, joint) for joint in condition.joints_open}
    closed = {_joint(prepared, joint) for joint in condition.joints_closed}
    legs = {_leg_end(prepared, leg) for leg in condition.legs_off}
    return (prepared.open_joints - closed) | opened | legs


def _joint(prepared: PreparedPath, joint: tuple[str, End]) -> tuple[int, int]:
    return _segment(prepared, joint[0]), FROM if joint[1] == "from" else TO


def _leg_end(prepared: PreparedPath, leg: str) -> tuple[int, int]:
    segment = _segment(prepared, leg)
    ends = prepared.segment_nodes[segment]
    for end in (FROM, TO):
        if ends[end] == prepared.controller:
            return segment, end
    raise NetworkError(f"segment {leg!r} does not end at the controller, so it is no leg")


def _segment(prepared: PreparedPath, segment_id: str) -> int:
    return _index("segment", prepared, segment_id)


def _index(
    kind: Literal["node", "segment", "device"], prepared: PreparedPath, element_id: str
) -> int:
    known = {
        "node": prepared.node_of,
        "segment": prepared.segment_of,
        "device": prepared.device_of,
    }[kind]
    if element_id not in known:
        raise UnknownElement(kind, element_id)
    return known[element_id]


def _check_isolated(prepared: PreparedPath, place: Place) -> None:
    if place.kind in ("splice", "unmapped"):
        _index("node", prepared, place.id)
    elif place.kind == "segment":
        _segment(prepared, place.id)
    elif place.kind == "device":
        _index("device", prepared, place.id)
    else:
        raise NetworkError(f"{place} is no place on the path that could be isolated")


def _add(prepared: PreparedPath, effects: Effects, fault: Fault) -> None:
    """Enter one fault; kinds of place without a spot on the path have no effect on it."""
    if fault.at.kind == "device":
        _add_at_device(effects, fault, _index("device", prepared, fault.at.id))
    elif fault.at.kind in ("splice", "unmapped"):
        _add_at_node(effects, fault, _index("node", prepared, fault.at.id))
    elif fault.at.kind == "segment":
        segment = _segment(prepared, fault.at.id)
        if not 0.0 < fault.fraction < 1.0:
            raise IncompleteFault(f"a fault in {fault.at} needs a fraction between 0 and 1")
        conductor = -1 if fault.kind == "short" else _conductor(fault)
        siemens = 0.0 if fault.kind == "open" else _siemens(fault)
        effects.spots[segment].append(Spot(fault.fraction, fault.kind, conductor, siemens))


def _add_at_device(effects: Effects, fault: Fault, device: int) -> None:
    if device in effects.devices_off:
        return
    if fault.kind == "short":
        effects.device_short[device] += _siemens(fault)
    elif fault.kind == "open":
        effects.device_opens.add((device, _conductor(fault)))
    else:
        effects.device_leaks.append((device, _conductor(fault), _siemens(fault)))


def _add_at_node(effects: Effects, fault: Fault, node: int) -> None:
    """At a splice, or on something unmapped there: an open in that takes nothing off the map."""
    if fault.kind == "short":
        effects.node_short[node] += _siemens(fault)
    elif fault.kind == "earth":
        effects.node_leaks.append((node, _conductor(fault), _siemens(fault)))
    elif fault.at.kind == "splice":
        effects.node_opens.add((node, _conductor(fault)))


def _siemens(fault: Fault) -> float:
    if fault.resistance_ohm is None or not fault.resistance_ohm >= 0.0:
        raise IncompleteFault(f"the {fault.kind} fault at {fault.at} needs a resistance_ohm >= 0")
    return 1.0 / max(fault.resistance_ohm, LEAST_OHM)


def _conductor(fault: Fault) -> int:
    if fault.conductor is None:
        raise IncompleteFault(f"the {fault.kind} fault at {fault.at} needs a conductor, a or b")
    return A if fault.conductor == "a" else B
