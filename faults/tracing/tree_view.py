"""A wire path as the engine sees it: a rooted tree of points, in preorder.

Point 0 is the controller's terminals. Every segment gives two points, its middle and its far
end, so that a fault part-way along a segment is a point like any other and the two ends of a
segment are two different wires to clamp. A joint that is open leaves its segment hanging on
the other end, as a stub with an end of its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from faults.tracing.observations import Joint
from sites.network.conductors import loop_ohm_per_km
from sites.network.elements import Device, Segment, WirePath
from sites.network.faults import Place

IntArray = NDArray[np.int64]
ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class TreeView:
    """Arrays over P points. ``edge`` i is the half segment that joins ``parent[i]`` to i.

    ``last[i]`` ends the subtree of i: point h lies at or below i when i <= h < last[i].
    ``load_s`` are the devices' admittances at typical draw, ``fixed_s`` the cable's own.
    ``edge_of_wire`` finds the edge that a clamp on (node, segment) reads.
    """

    parent: IntArray
    last: IntArray
    z_ohm: ComplexArray
    load_s: ComplexArray
    fixed_s: ComplexArray
    place_of_point: tuple[Place, ...]
    point_of_node: dict[str, int]
    point_of_segment: dict[str, int]
    edge_of_wire: dict[tuple[str, str], int]
    devices_at: dict[str, tuple[Device, ...]]
    upstream_segment: dict[str, str]
    downstream_segments: dict[str, tuple[str, ...]]

    @property
    def size(self) -> int:
        """P, the number of points."""
        return len(self.parent)

    def far_node(self, segment: str) -> str | None:
        """The node at a segment's lower end; None where its joint there is open."""
        end = self.place_of_point[self.point_of_segment[segment] + 1]
        return end.id if end.kind == "splice" else None

    def chain(self, point: int) -> IntArray:
        """The points from the controller down to ``point``, both included."""
        # In preorder they are the points up to it whose subtrees reach past it.
        return np.flatnonzero(self.last[: point + 1] > point)

    def last_common(self, point: int) -> IntArray:
        """For every point its last common ancestor with ``point``. O(P)."""
        chain = self.chain(point)
        turns = -np.bincount(self.last[chain], minlength=self.size + 1)
        turns[chain] += 1
        return chain[np.cumsum(turns[:-1]) - 1]


class NotATree(ValueError):
    """The path still has a closed loop; ``segments`` close one each."""

    def __init__(self, segments: tuple[str, ...]) -> None:
        super().__init__("closed loops through " + ", ".join(segments))
        self.segments = segments


def apart_ends(segment: Segment, extra: Iterable[Joint]) -> frozenset[str]:
    """Which ends of a segment are apart, by the map and by what was opened since."""
    ends = {end for segment_id, end in extra if segment_id == segment.id}
    if segment.joint_open is not None:
        ends.add(segment.joint_open)
    return frozenset(ends)


def build_tree_view(
    path: WirePath,
    *,
    joints_open: frozenset[Joint] = frozenset(),
    joints_closed: frozenset[Joint] = frozenset(),
    legs_off: frozenset[str] = frozenset(),
    lifted: frozenset[str] = frozenset(),
) -> TreeView:
    """Lay the path out as a tree.

    ``lifted`` are device ids whose leads are off. Parts that hang on nothing are left out.
    Raises :class:`NotATree` with the segments that close loops.
    """
    builder = _Builder(path, joints_open, joints_closed, legs_off, lifted)
    return builder.build()


def loop_joints(
    path: WirePath, *, joints_open: frozenset[Joint] = frozenset()
) -> tuple[Joint, ...]:
    """The joints to open so that the path is a tree.

    The segments left out of a minimum spanning tree by length, so that the longest cable of each
    loop hangs as a stub; of its two ends the one that is easiest to reach.
    """
    graph: nx.MultiGraph[str] = nx.MultiGraph()
    graph.add_nodes_from(node.id for node in path.nodes)
    for segment in path.segments:
        if not apart_ends(segment, joints_open):
            graph.add_edge(
                segment.from_node, segment.to_node, key=segment.id, weight=segment.length_m
            )
    kept = {key for _, _, key in nx.minimum_spanning_edges(graph, keys=True, data=False)}
    effort = {node.id: _REACH_ORDER[node.access] for node in path.nodes}
    joints: list[Joint] = []
    for segment in path.segments:
        if apart_ends(segment, joints_open) or segment.id in kept:
            continue
        easier_from = effort[segment.from_node] < effort[segment.to_node]
        joints.append((segment.id, "from" if easier_from else "to"))
    return tuple(joints)


_REACH_ORDER = {"cabinet": 0, "box": 1, "buried": 2}


class _Builder:
    """Walks the path from the controller and lays points out in preorder."""

    def __init__(
        self,
        path: WirePath,
        joints_open: frozenset[Joint],
        joints_closed: frozenset[Joint],
        legs_off: frozenset[str],
        lifted: frozenset[str],
    ) -> None:
        self.path = path
        self.root = path.controller.id
        self.legs_off = legs_off
        self.touching: dict[str, list[tuple[str, Segment]]] = {n.id: [] for n in path.nodes}
        for segment in path.segments:
            apart = apart_ends(segment, joints_open)
            apart -= {end for seg, end in joints_closed if seg == segment.id}
            if "from" not in apart:
                self.touching[segment.from_node].append(("from", segment))
            if "to" not in apart:
                self.touching[segment.to_node].append(("to", segment))
        self.whole = {
            s.id
            for s in path.segments
            if not (apart_ends(s, joints_open) - {e for g, e in joints_closed if g == s.id})
        }
        self.devices: dict[str, list[Device]] = {}
        for device in path.devices:
            if device.id not in lifted:
                self.devices.setdefault(device.node, []).append(device)
        self.omega = 2.0 * math.pi * path.frequency_hz

    def build(self) -> TreeView:
        order, links = self._walk()
        position = {key: i for i, key in enumerate(order)}
        size = len(order)
        parent = np.zeros(size, dtype=np.int64)
        z_ohm = np.zeros(size, dtype=np.complex128)
        load = np.zeros(size, dtype=np.complex128)
        fixed = np.zeros(size, dtype=np.complex128)
        edges: dict[tuple[str, str], int] = {}
        upstream: dict[str, str] = {}
        downstream: dict[str, list[str]] = {n.id: [] for n in self.path.nodes}
        for segment, upper, lower in links:
            middle, end = position[("segment", segment.id)], position[lower]
            half = loop_impedance_ohm(segment, self.path) / 2.0
            parent[middle], parent[end] = position[upper], middle
            z_ohm[middle] = z_ohm[end] = half
            charge = 1j * self.omega * self.path.capacitance_nf_per_km * segment.length_m * 1e-12
            fixed[position[upper]] += charge / 2.0
            fixed[end] += charge / 2.0
            edges[(upper[1], segment.id)] = middle
            downstream[upper[1]].append(segment.id)
            if lower[0] == "node":
                edges[(lower[1], segment.id)] = end
                upstream[lower[1]] = segment.id
        for node_id, devices in self.devices.items():
            if ("node", node_id) in position:
                load[position[("node", node_id)]] += sum(
                    typical_admittance_s(device, self.path) for device in devices
                )
        return TreeView(
            parent=parent,
            last=_subtree_ends(parent),
            z_ohm=z_ohm,
            load_s=load,
            fixed_s=fixed,
            place_of_point=tuple(_place(key) for key in order),
            point_of_node={key[1]: i for key, i in position.items() if key[0] == "node"},
            point_of_segment={key[1]: i for key, i in position.items() if key[0] == "segment"},
            edge_of_wire=edges,
            devices_at={node: tuple(devices) for node, devices in self.devices.items()},
            upstream_segment=upstream,
            downstream_segments={node: tuple(wires) for node, wires in downstream.items()},
        )

    def _walk(
        self,
    ) -> tuple[list[tuple[str, str]], list[tuple[Segment, tuple[str, str], tuple[str, str]]]]:
        """Preorder keys ("node" | "segment" | "stub", id) and (segment, upper key, lower key)."""
        seen_nodes = {self.root}
        seen_segments: set[str] = set()
        closing: list[str] = []
        order: list[tuple[str, str]] = []
        links: list[tuple[Segment, tuple[str, str], tuple[str, str]]] = []
        stack: list[tuple[str, str]] = [("node", self.root)]
        arriving: dict[tuple[str, str], tuple[Segment, tuple[str, str]]] = {}
        while stack:
            key = stack.pop()
            if key in arriving:
                segment, upper = arriving[key]
                order.append(("segment", segment.id))
                links.append((segment, upper, key))
            order.append(key)
            if key[0] != "node":
                continue
            for end, segment in reversed(self.touching[key[1]]):
                if segment.id in seen_segments or self._is_off(key[1], segment):
                    continue
                seen_segments.add(segment.id)
                if segment.id not in self.whole:
                    lower = ("stub", segment.id)
                else:
                    far = segment.to_node if end == "from" else segment.from_node
                    if far in seen_nodes:
                        closing.append(segment.id)
                        continue
                    seen_nodes.add(far)
                    lower = ("node", far)
                arriving[lower] = (segment, key)
                stack.append(lower)
        if closing:
            raise NotATree(tuple(closing))
        return order, links

    def _is_off(self, node_id: str, segment: Segment) -> bool:
        return node_id == self.root and segment.id in self.legs_off


def loop_impedance_ohm(segment: Segment, path: WirePath) -> complex:
    """Out and back along a segment: two conductors, each R + jX per kilometre."""
    per_km = complex(
        loop_ohm_per_km(segment.conductor, path.conductor_temp_c),
        2.0 * segment.reactance_ohm_per_km,
    )
    return per_km * segment.length_m / 1000.0


def typical_admittance_s(device: Device, path: WirePath) -> complex:
    """What the device draws as an admittance, ``draw / source_v``, turned by its power factor."""
    magnitude = device.draw_ma / 1000.0 / path.source_v
    angle = math.acos(min(1.0, max(0.0, device.power_factor)))
    return complex(magnitude * math.cos(angle), -magnitude * math.sin(angle))


def _place(key: tuple[str, str]) -> Place:
    return Place("splice", key[1]) if key[0] == "node" else Place("segment", key[1])


def _subtree_ends(parent: IntArray) -> IntArray:
    size = len(parent)
    last = np.arange(1, size + 1)
    for point in range(size - 1, 0, -1):
        above = parent[point]
        if last[point] > last[above]:
            last[above] = last[point]
    return last
