"""What is on the ground and not on the map, and which place a fault has in the map's terms."""

from __future__ import annotations

from collections import defaultdict, deque
from dataclasses import dataclass, replace

from faults.rehearsal.rehearsal import Rehearsal
from sites.network.elements import WirePath
from sites.network.faults import Place


@dataclass(frozen=True, slots=True)
class Wires:
    """Wires at each node of a path: segment ids, then device ids."""

    segments: dict[str, tuple[str, ...]]
    devices: dict[str, tuple[str, ...]]

    @classmethod
    def of(cls, path: WirePath) -> Wires:
        """The lookups of a path, built once."""
        segments: dict[str, list[str]] = defaultdict(list)
        devices: dict[str, list[str]] = defaultdict(list)
        for segment in path.segments:
            segments[segment.from_node].append(segment.id)
            segments[segment.to_node].append(segment.id)
        for device in path.devices:
            devices[device.node].append(device.id)
        return cls(
            {node: tuple(ids) for node, ids in segments.items()},
            {node: tuple(ids) for node, ids in devices.items()},
        )

    def at(self, node_id: str) -> tuple[str, ...]:
        """All wires at a node."""
        return self.segments.get(node_id, ()) + self.devices.get(node_id, ())


def mapped_ids(path: WirePath) -> frozenset[str]:
    """Ids of all nodes, segments and devices of a path."""
    nodes = (node.id for node in path.nodes)
    segments = (segment.id for segment in path.segments)
    devices = (device.id for device in path.devices)
    return frozenset((*nodes, *segments, *devices))


def walkable(rehearsal: Rehearsal) -> WirePath:
    """The ground, and what the map has besides: one can walk there and find nothing."""
    ground, survey = rehearsal.ground, rehearsal.survey
    there = mapped_ids(ground)
    return replace(
        ground,
        nodes=ground.nodes
        + tuple(n for n in survey.nodes if n.id not in there and n.kind != "controller"),
        segments=ground.segments + tuple(s for s in survey.segments if s.id not in there),
        devices=ground.devices + tuple(d for d in survey.devices if d.id not in there),
    )


def true_places(rehearsal: Rehearsal) -> tuple[Place, ...]:
    """Where the faults are, in terms of the map; ``none`` alone where nothing is wrong.

    A fault on something that is not on the map counts as *unmapped* at the first node of the
    map met on the way from it to the controller.
    """
    mapped = mapped_ids(rehearsal.survey)
    ground = rehearsal.ground
    places: list[Place] = []
    for fault in rehearsal.faults:
        at = fault.at
        if at.kind in ("device", "splice", "segment") and at.id not in mapped:
            at = Place("unmapped", _mapped_on_the_way(ground, at, mapped))
        if at.kind != "none":
            places.append(at)
    return tuple(places) or (Place("none"),)


def _mapped_on_the_way(ground: WirePath, at: Place, mapped: frozenset[str]) -> str:
    """First node of the map on the way from a place of the ground to the controller."""
    toward = _next_to_controller(ground)
    node = at.id
    if at.kind == "device":
        node = next(d.node for d in ground.devices if d.id == at.id)
    elif at.kind == "segment":
        segment = next(s for s in ground.segments if s.id == at.id)
        ends = (segment.from_node, segment.to_node)
        node = ends[0] if toward.get(ends[1]) == ends[0] else ends[1]
    while node not in mapped and node in toward:
        node = toward[node]
    return node


def _next_to_controller(ground: WirePath) -> dict[str, str]:
    """For each node the next one on a shortest way to the controller."""
    beside: dict[str, list[str]] = defaultdict(list)
    for segment in ground.segments:
        beside[segment.from_node].append(segment.to_node)
        beside[segment.to_node].append(segment.from_node)
    start = ground.controller.id
    toward: dict[str, str] = {}
    queue = deque([start])
    while queue:
        node = queue.popleft()
        for other in beside[node]:
            if other != start and other not in toward:
                toward[other] = node
                queue.append(other)
    return toward
