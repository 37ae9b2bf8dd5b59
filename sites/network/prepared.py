"""A path turned once into indexes and arrays, so that many conditions can be solved on it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from sites.network.conductors import conductor_ohm_per_km
from sites.network.device_models import DeviceTable, device_table
from sites.network.elements import WirePath
from sites.network.errors import UnknownElement
from sites.network.graph import FROM, TO, Topology, build_topology

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

LEAST_OHM = 1e-6
"""No conductor or fault is taken as better than this: less than a millimetre of wire."""


@dataclass(frozen=True, eq=False)
class PreparedPath:
    """What no condition changes. Indexes follow the order of the path's own tuples.

    ``segment_nodes`` (S, 2): node at the ``from`` and the ``to`` end.
    ``conductor_ohm`` (S,): impedance of one conductor of the segment from end to end.
    ``end_siemens`` (S,): admittance of half the capacitance between its conductors.
    ``topology``: with the survey's own open joints and nothing else apart.
    """

    path: WirePath
    node_of: Mapping[str, int]
    controller: int
    segment_nodes: IntArray
    conductor_ohm: ComplexArray
    end_siemens: ComplexArray
    open_joints: frozenset[tuple[int, int]]
    devices: DeviceTable
    topology: Topology

    @cached_property
    def segment_of(self) -> Mapping[str, int]:
        """Index of each segment by its id."""
        return {segment.id: at for at, segment in enumerate(self.path.segments)}

    @cached_property
    def device_of(self) -> Mapping[str, int]:
        """Index of each device by its id."""
        return {device.id: at for at, device in enumerate(self.path.devices)}


def prepare(path: WirePath) -> PreparedPath:
    """Index a path. O(nodes + segments + devices).

    Raises ``UnknownElement`` where a segment or device names a node or conductor there is not.
    """
    segments = path.segments
    node_of = {node.id: at for at, node in enumerate(path.nodes)}
    try:
        device_nodes = [node_of[device.node] for device in path.devices]
        ends = np.array(
            [
                [node_of[segment.from_node] for segment in segments],
                [node_of[segment.to_node] for segment in segments],
            ],
            dtype=np.int64,
        ).T
    except KeyError as missing:
        raise UnknownElement("node", str(missing.args[0])) from None
    length_km = np.array([segment.length_m for segment in segments], dtype=np.float64) / 1000.0
    open_joints = frozenset(
        (at, FROM if segment.joint_open == "from" else TO)
        for at, segment in enumerate(segments)
        if segment.joint_open is not None
    )
    controller = node_of[path.controller.id]
    omega_f = 2.0 * math.pi * path.frequency_hz * path.capacitance_nf_per_km * 1e-9
    return PreparedPath(
        path=path,
        node_of=node_of,
        controller=controller,
        segment_nodes=ends,
        conductor_ohm=_conductor_ohm(path, length_km),
        end_siemens=(0.5j * omega_f * length_km).astype(np.complex128),
        open_joints=open_joints,
        devices=device_table(path.devices, device_nodes, path.source_v),
        topology=build_topology(len(path.nodes), ends, controller, apart=open_joints),
    )


def _conductor_ohm(path: WirePath, length_km: FloatArray) -> ComplexArray:
    names = [segment.conductor for segment in path.segments]
    per_km = {name: conductor_ohm_per_km(name, path.conductor_temp_c) for name in set(names)}
    ohm = np.empty(len(names), dtype=np.complex128)
    # Most paths are of one kind of cable: no look-up for each segment then.
    same = next(iter(per_km.values()), 0.0)
    ohm.real = same if len(per_km) == 1 else [per_km[name] for name in names]
    ohm.imag = [segment.reactance_ohm_per_km for segment in path.segments]
    ohm *= length_km
    return np.where(np.abs(ohm) < LEAST_OHM, LEAST_OHM, ohm)
