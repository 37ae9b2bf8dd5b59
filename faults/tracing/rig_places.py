"""Whether what an observation names is on the path, and at which nodes it was done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from faults.tracing.observations import (
    Alone,
    Cannot,
    Clamp,
    ClampSet,
    CloseJoints,
    Isolate,
    Joint,
    Message,
    Observation,
    OpenJoints,
    PathOff,
    Reference,
    Restore,
    RunStation,
)
from sites.network.elements import WirePath
from sites.network.faults import Place


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why an observation was not believed and what to do first, in plain words.

    ``pointer`` is a JSON pointer into the observation: the field that is wrong.
    """

    problem: str
    pointer: str


def legs_of(path: WirePath) -> tuple[str, ...]:
    """The ids of the segments that end at the controller, in the order of the survey."""
    controller = path.controller.id
    return tuple(
        segment.id
        for segment in path.segments
        if controller in (segment.from_node, segment.to_node)
    )


def wires_at(path: WirePath, node_id: str) -> tuple[str, ...]:
    """The ids of the segments that touch a node, and of the devices that hang there."""
    segments = [
        segment.id for segment in path.segments if node_id in (segment.from_node, segment.to_node)
    ]
    return (*segments, *(device.id for device in path.devices if device.node == node_id))


def nodes_of_place(path: WirePath, at: Place) -> tuple[str, ...]:
    """Where a place is worked at: one node, or both ends of a segment; none for the others."""
    if at.kind in ("splice", "unmapped"):
        return (at.id,)
    if at.kind == "device":
        return tuple(device.node for device in path.devices if device.id == at.id)
    if at.kind == "segment":
        return next(((seg.from_node, seg.to_node) for seg in path.segments if seg.id == at.id), ())
    return ()


def node_of_joint(path: WirePath, joint: Joint) -> str:
    """The node at which a joint lies. Raises KeyError for a segment that is not on the path."""
    segment_id, end = joint
    for segment in path.segments:
        if segment.id == segment_id:
            return segment.from_node if end == "from" else segment.to_node
    raise KeyError(segment_id)


def nodes_worked_at(path: WirePath, observation: Observation) -> tuple[str, ...]:
    """The nodes out on the path at which an observation was made, in its own order.

    Acts at the controller (message, reference, coil, alone, power, a station) name none.
    """
    match observation:
        case Clamp(node=node) | ClampSet(node=node) | PathOff(node=node) | Cannot(node=node):
            return (node,)
        case Isolate(at=at) | Restore(at=at):
            return nodes_of_place(path, at)
        case OpenJoints(done=done) | CloseJoints(done=done):
            return tuple(node_of_joint(path, joint) for joint in done)
        case _:
            return ()


def places_unknown(path: WirePath, observation: Observation) -> Refusal | None:
    """The first thing an observation names that is not on the path, or cannot be meant."""
    refusal: Refusal | None = None
    match observation:
        case Message(legs_on=legs_on) | Reference(legs_on=legs_on):
            refusal = legs_unknown(path, legs_on)
        case Clamp(node=node, wire=wire, legs_on=legs_on):
            refusal = wire_unknown(path, node, wire) or legs_unknown(path, legs_on)
        case PathOff(node=node, wire=wire):
            refusal = wire_unknown(path, node, wire)
        case ClampSet(node=node) | Cannot(node=node):
            refusal = _node_unknown(path, node, "/node")
        case OpenJoints(done=done) | CloseJoints(done=done):
            refusal = joints_unknown(path, done)
        case Alone(at=at) if at.kind != "device":
            refusal = Refusal(f"Only a device can be alone on the controller, not {at}.", "/at")
        case Isolate(at=at) | Restore(at=at) | Alone(at=at):
            refusal = place_unknown(path, at)
        case RunStation(station=station):
            refusal = _station_unknown(path, station)
    return refusal


def wire_unknown(path: WirePath, node_id: str, wire: str | None) -> Refusal | None:
    """A node that is not on the path, or a wire that is not at that node; None is off the map."""
    refusal = _node_unknown(path, node_id, "/node")
    if refusal is not None or wire is None:
        return refusal
    there = wires_at(path, node_id)
    if wire in there:
        return None
    return Refusal(
        f"No wire {wire!r} at {node_id}; the map has {', '.join(there) or 'none'} there. "
        "For a wire that is not on the map give wire: null and say what it looks like.",
        "/wire",
    )


def legs_unknown(path: WirePath, legs_on: tuple[str, ...] | None) -> Refusal | None:
    """Legs that are not at the controller, or are named twice."""
    legs = legs_of(path)
    for index, leg in enumerate(legs_on or ()):
        if leg not in legs:
            return Refusal(
                f"{leg!r} is not a leg; the legs at the controller are {', '.join(legs)}.",
                f"/legs_on/{index}",
            )
        if legs_on is not None and leg in legs_on[:index]:
            return Refusal(f"Leg {leg!r} is named twice.", f"/legs_on/{index}")
    return None


def joints_unknown(path: WirePath, done: Sequence[Joint]) -> Refusal | None:
    """Joints of segments that are not on the path."""
    known = {segment.id for segment in path.segments}
    for index, (segment_id, _end) in enumerate(done):
        if segment_id not in known:
            return Refusal(
                f"No segment {segment_id!r} on this path; a joint is a segment and its end.",
                f"/done/{index}/segment",
            )
    return None


def place_unknown(path: WirePath, at: Place) -> Refusal | None:
    """A place that is not on the path, or is none that can be taken out of it."""
    pointer = f"/at/{at.kind}"
    if at.kind in ("splice", "unmapped"):
        if at.kind == "splice" and at.id == path.controller.id:
            return Refusal(
                f"{at.id} is the controller, not a splice. Take a leg off with legs_on instead.",
                pointer,
            )
        return _node_unknown(path, at.id, pointer)
    if at.kind == "device":
        known = any(device.id == at.id for device in path.devices)
    elif at.kind == "segment":
        known = any(segment.id == at.id for segment in path.segments)
    else:
        return Refusal(
            f"{at.kind!r} cannot be taken out of the path; give a device, splice, segment or "
            "unmapped.",
            "/at",
        )
    return None if known else Refusal(f"No {at.kind} {at.id!r} on this path.", pointer)


def _node_unknown(path: WirePath, node_id: str, pointer: str) -> Refusal | None:
    if any(node.id == node_id for node in path.nodes):
        return None
    return Refusal(f"No node {node_id!r} on this path.", pointer)


def _station_unknown(path: WirePath, station: int) -> Refusal | None:
    """A station none of the devices runs; a map that names no stations cannot tell."""
    stations = {number for device in path.devices for number in device.stations}
    if not stations or station in stations:
        return None
    return Refusal(
        f"No device on this path runs station {station}; it has stations "
        f"{', '.join(map(str, sorted(stations)))}.",
        "/station",
    )
