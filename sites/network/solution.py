"""What a solve gives: the current in every wire at every place, and the voltages."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from sites.network.effects import A, B
from sites.network.errors import UnknownElement
from sites.network.graph import FROM, TO
from sites.network.prepared import PreparedPath

ComplexArray = npt.NDArray[np.complex128]
SolverName = Literal["tree", "loop", "alone"]


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Phasors (RMS) of a path at rest under one condition; the source voltage has angle 0.

    ``controller_current_a``: conductor a, out of the controller's terminals into all legs that
    are on. ``node_v`` (N,): between the conductors, 0 on parts that are cut off.
    ``segment_a`` (S, 2, 2): by segment, end and conductor, positive ``from`` to ``to`` in a and
    back in b, so that both agree where nothing tells them apart. What half of the capacitance
    at an end takes is part of the wire there. ``device_a`` (D, 2): by device and conductor,
    into the device in a and out of it in b. ``device_siemens`` (D,): what each device came to.
    """

    prepared: PreparedPath
    solver: SolverName
    controller_current_a: complex
    node_v: ComplexArray
    segment_a: ComplexArray
    device_a: ComplexArray
    device_siemens: ComplexArray

    def wire_current_a(self, node_id: str, wire_id: str) -> complex:
        """Current in conductor a of a segment that touches the node, or of a device's lead there.

        In amperes; along the segment from its ``from`` to its ``to`` node, or into the device.
        Raises ``UnknownElement``.
        """
        return self._wire(node_id, wire_id, A)

    def wire_current_b_a(self, node_id: str, wire_id: str) -> complex:
        """The same in conductor b, counted the other way: equal to a in a balanced pair."""
        return self._wire(node_id, wire_id, B)

    def voltage_v(self, node_id: str) -> complex:
        """Voltage from conductor a to conductor b at a node; 0 where it is cut off."""
        return complex(self.node_v[self._node(node_id)])

    def current_ma(
        self, node_id: str, wire_id: str, conductor: Literal["a", "b", "both"] = "a"
    ) -> float:
        """What a clamp reads there, in milliamperes; ``both``: both conductors in the jaw."""
        if conductor == "both":
            difference = self._wire(node_id, wire_id, A) - self._wire(node_id, wire_id, B)
            return 1000.0 * abs(difference)
        return 1000.0 * abs(self._wire(node_id, wire_id, A if conductor == "a" else B))

    def wires(self) -> Iterator[tuple[str, str]]:
        """Every (node id, wire id) that can be clamped: by node, its segments, then its devices."""
        path = self.prepared.path
        at_node: dict[str, list[str]] = {node.id: [] for node in path.nodes}
        for segment in path.segments:
            at_node[segment.from_node].append(segment.id)
            at_node[segment.to_node].append(segment.id)
        for device in path.devices:
            at_node[device.node].append(device.id)
        for node_id, wire_ids in at_node.items():
            for wire_id in wire_ids:
                yield node_id, wire_id

    def _node(self, node_id: str) -> int:
        try:
            return self.prepared.node_of[node_id]
        except KeyError:
            raise UnknownElement("node", node_id) from None

    def _wire(self, node_id: str, wire_id: str, conductor: int) -> complex:
        node = self._node(node_id)
        segment = self.prepared.segment_of.get(wire_id)
        if segment is not None:
            for end in (FROM, TO):
                if self.prepared.segment_nodes[segment, end] == node:
                    return complex(self.segment_a[segment, end, conductor])
        device = self.prepared.device_of.get(wire_id)
        if device is not None and self.prepared.devices.node[device] == node:
            return complex(self.device_a[device, conductor])
        raise UnknownElement(f"wire at node {node_id!r} called", wire_id)
