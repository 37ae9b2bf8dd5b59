"""Paths without loops in O(n): elimination from the far ends inwards, voltages outwards.

On a tree whose faults leave a = b in every wire (no earth fault; an open in one conductor takes
off all that lies beyond, as both would) the two conductors are one loop: a piece of cable counts
twice its conductor's impedance, and each point has one voltage, that between the conductors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sites.network.device_models import BoolArray, Rest
from sites.network.effects import Effects
from sites.network.graph import FROM, TO, Break, Topology, build_topology, incoming_ends
from sites.network.prepared import PreparedPath
from sites.network.solution import Solution

ComplexArray = npt.NDArray[np.complex128]


@dataclass(frozen=True, slots=True, eq=False)
class TreeResponse:
    """Voltages of one linear solve.

    ``point_v`` (points,), 0 where cut off; ``beyond_siemens`` (live points,): in preorder, the
    admittance of a point with all that hangs on it; ``device_v`` (D,).
    """

    point_v: ComplexArray
    beyond_siemens: ComplexArray
    device_v: ComplexArray
    source_current_a: complex


def sweep(
    parent: list[int], ohm: list[complex], siemens: list[complex]
) -> tuple[list[complex], list[complex]]:
    """Solve a tree in preorder. O(n); plain loops beat arrays by level on straight paths.

    ``parent``, ``ohm``: place of the point before and the loop impedance to it, the first unused;
    ``siemens``: shunt at each point, overwritten. Floats do where nothing is reactive.
    Returns each point's voltage as a share of the first's, and the admittance of it and all
    beyond.
    """
    at = len(parent)
    ratios: list[complex] = []
    for before, z in zip(parent[:0:-1], ohm[:0:-1], strict=True):
        at -= 1
        beyond = siemens[at]
        ratio = 1.0 / (1.0 + z * beyond)
        ratios.append(ratio)
        siemens[before] += beyond * ratio
    ratios.reverse()
    shares: list[complex] = [1.0]
    for before, ratio in zip(parent[1:], ratios, strict=True):
        shares.append(shares[before] * ratio)
    return shares, siemens


class TreeNetwork:
    """A tree under a condition; ``effects`` must be free of leaks."""

    def __init__(self, prepared: PreparedPath, base: Topology, effects: Effects) -> None:
        self._prepared = prepared
        self._effects = effects
        self.topology = topology = _with_faults(prepared, base, effects)
        ohm = 2.0 * prepared.conductor_ohm[topology.piece_segment] * topology.piece_share
        self._ohm = ohm[topology.edge] if len(ohm) else np.zeros(1, dtype=np.complex128)
        self._base_siemens = self._shunts()

    @property
    def lifted(self) -> BoolArray:
        """Devices that are not connected (D,)."""
        lifted = np.zeros(len(self._prepared.devices.node), dtype=np.bool_)
        lifted[[*self._effects.devices_off, *(d for d, _ in self._effects.device_opens)]] = True
        return lifted

    def respond(self, device_siemens: ComplexArray) -> TreeResponse:
        """Solve with these device admittances (D,)."""
        topology, path = self.topology, self._prepared.path
        siemens = self._base_siemens.copy()
        device_node = self._prepared.devices.node
        np.add.at(siemens, device_node, device_siemens)
        along, shunt = self._ohm, siemens[topology.order]
        reactive = along.imag.any() or shunt.imag.any()
        share, beyond = sweep(
            topology.parent,
            (along if reactive else along.real).tolist(),
            (shunt if reactive else shunt.real).tolist(),
        )
        source_ohm = path.source_ohm + self._effects.coil_ohm
        start_v = path.source_v / (1.0 + source_ohm * beyond[0])
        point_v = np.zeros(topology.point_count, dtype=np.complex128)
        point_v[topology.order] = start_v * np.array(share)
        return TreeResponse(
            point_v=point_v,
            beyond_siemens=np.array(beyond),
            device_v=point_v[device_node],
            source_current_a=start_v * beyond[0],
        )

    def solution(self, rest: Rest[TreeResponse]) -> Solution:
        """Currents in every wire from the voltages."""
        prepared, topology, point_v = self._prepared, self.topology, rest.response.point_v
        down = rest.response.beyond_siemens * point_v[topology.order]
        along = np.zeros(len(topology.piece_segment), dtype=np.complex128)
        edge = topology.edge[1:]
        outward = topology.piece_points[edge, TO] == topology.order[1:]
        along[edge] = np.where(outward, down[1:], -down[1:])
        taken = prepared.end_siemens[:, None] * point_v[topology.end_points]
        segment_a = np.empty((len(taken), 2), dtype=np.complex128)
        segment_a[:, FROM] = along[: len(taken)] + taken[:, FROM]
        segment_a[:, TO] = along[topology.last_piece] - taken[:, TO]
        lead_siemens = rest.device_siemens.copy()
        for device, siemens in self._live_device_shorts().items():
            lead_siemens[device] += siemens
        device_a = lead_siemens * rest.response.device_v
        return Solution(
            prepared=prepared,
            solver="tree",
            controller_current_a=complex(rest.response.source_current_a),
            node_v=point_v[: len(prepared.path.nodes)],
            segment_a=np.repeat(segment_a[:, :, None], 2, axis=2),
            device_a=np.repeat(device_a[:, None], 2, axis=1),
            device_siemens=rest.device_siemens,
        )

    def _live_device_shorts(self) -> dict[int, float]:
        opened = {device for device, _ in self._effects.device_opens}
        return {d: s for d, s in self._effects.device_short.items() if d not in opened}

    def _shunts(self) -> ComplexArray:
        """Admittance at each point without the devices: capacitance and shorts."""
        prepared, topology, effects = self._prepared, self.topology, self._effects
        siemens = np.zeros(topology.point_count, dtype=np.complex128)
        if prepared.path.capacitance_nf_per_km:
            for end in (FROM, TO):
                np.add.at(siemens, topology.end_points[:, end], prepared.end_siemens)
        for node, short in effects.node_short.items():
            siemens[node] += short
        for device, short in self._live_device_shorts().items():
            siemens[prepared.devices.node[device]] += short
        for segment, spots in effects.spots.items():
            for at, spot in enumerate(spots):
                siemens[topology.spots[segment, at][0]] += spot.siemens
        return siemens


def _with_faults(prepared: PreparedPath, base: Topology, effects: Effects) -> Topology:
    """Add spots along segments to a topology, and cut it where a conductor is open."""
    if not effects.spots and not effects.node_opens:
        return base
    apart = set(effects.apart)
    for node, _ in effects.node_opens:
        apart.update(incoming_ends(base, node, prepared.controller))
    breaks = {
        segment: [Break(spot.fraction, joined=spot.kind != "open") for spot in spots]
        for segment, spots in effects.spots.items()
    }
    return build_topology(
        len(prepared.path.nodes), prepared.segment_nodes, prepared.controller, apart, breaks
    )
