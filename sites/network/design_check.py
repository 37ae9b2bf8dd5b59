"""Whether a path as designed feeds every device: voltages, drops, current, limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from sites.network.elements import WirePath
from sites.network.prepared import PreparedPath, prepare
from sites.network.solution import Solution
from sites.network.solve import solve_prepared

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class DeviceVoltage:
    """Voltage at a device and its distance from the controller along the cable."""

    device_id: str
    voltage_v: float
    cable_m: float


@dataclass(frozen=True, slots=True)
class SegmentDrop:
    """Voltage lost in the two conductors of a segment."""

    segment_id: str
    drop_v: float


@dataclass(frozen=True, slots=True)
class BrokenLimit:
    """A limit that does not hold: of ``min_device_v``, the devices below; else no ids."""

    limit: Literal["min_device_v", "max_current_ma", "trip_ma"]
    allowed: float
    found: float
    device_ids: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class DesignFigures:
    """The figures of a sound path without coil, every device drawing what the survey says.

    ``farthest`` and ``lowest`` are None without devices that are connected, ``largest_drop``
    without segments. ``drops`` follow the path's order, 0 where cut off.
    """

    farthest: DeviceVoltage | None
    lowest: DeviceVoltage | None
    largest_drop: SegmentDrop | None
    drops: tuple[SegmentDrop, ...]
    controller_current_ma: float
    cut_off_device_ids: tuple[str, ...]
    broken_limits: tuple[BrokenLimit, ...]


def design_figures(path: WirePath) -> DesignFigures:
    """Check a path against its limits and the controller's trip current.

    Raises ``NetworkError`` where the path cannot be solved.
    """
    prepared = prepare(path)
    solution = solve_prepared(prepared)
    cable_m = _cable_m(prepared)[prepared.devices.node]
    voltage_v = np.abs(solution.node_v)[prepared.devices.node]
    fed = np.flatnonzero(np.isfinite(cable_m))
    voltages = [
        DeviceVoltage(path.devices[at].id, float(voltage_v[at]), float(cable_m[at])) for at in fed
    ]
    drops = _drops(prepared, solution)
    current_ma = 1000.0 * abs(solution.controller_current_a)
    return DesignFigures(
        farthest=max(voltages, key=lambda device: device.cable_m, default=None),
        lowest=min(voltages, key=lambda device: device.voltage_v, default=None),
        largest_drop=max(drops, key=lambda segment: segment.drop_v, default=None),
        drops=drops,
        controller_current_ma=current_ma,
        cut_off_device_ids=tuple(
            device.id
            for device, metres in zip(path.devices, cable_m, strict=True)
            if not np.isfinite(metres)
        ),
        broken_limits=_broken_limits(path, voltages, current_ma),
    )


def _cable_m(prepared: PreparedPath) -> FloatArray:
    """Shortest way along the cable from the controller to each node, inf where cut off."""
    topology = prepared.topology
    length_m = np.array([segment.length_m for segment in prepared.path.segments], dtype=np.float64)
    ends = np.sort(topology.piece_points, axis=1)
    # Of parallel segments the shortest counts; a stored 0 would mean no cable at all.
    by_length = np.argsort(-length_m, kind="stable")
    shortest = {(int(ends[at, 0]), int(ends[at, 1])): float(length_m[at]) for at in by_length}
    rows = [one for one, _ in shortest]
    columns = [other for _, other in shortest]
    metres = np.maximum(list(shortest.values()), 1e-9)
    count = topology.point_count
    graph = csr_array((metres, (rows, columns)), shape=(count, count))
    distance: FloatArray = dijkstra(graph, directed=False, indices=np.array([prepared.controller]))[
        0
    ]
    return distance[: len(prepared.path.nodes)]


def _drops(prepared: PreparedPath, solution: Solution) -> tuple[SegmentDrop, ...]:
    """2 · |I · Z| by segment, I the mean of the series current at its two ends."""
    middle_a = solution.segment_a[:, :, 0].mean(axis=1)
    drop_v = 2.0 * np.abs(middle_a * prepared.conductor_ohm)
    return tuple(
        SegmentDrop(segment.id, float(drop))
        for segment, drop in zip(prepared.path.segments, drop_v, strict=True)
    )


def _broken_limits(
    path: WirePath, voltages: list[DeviceVoltage], current_ma: float
) -> tuple[BrokenLimit, ...]:
    broken = []
    least_v, most_ma = path.limits.min_device_v, path.limits.max_current_ma
    if least_v is not None:
        low = sorted((v for v in voltages if v.voltage_v < least_v), key=lambda v: v.voltage_v)
        if low:
            ids = tuple(device.device_id for device in low)
            broken.append(BrokenLimit("min_device_v", least_v, low[0].voltage_v, ids))
    if most_ma is not None and current_ma > most_ma:
        broken.append(BrokenLimit("max_current_ma", most_ma, current_ma))
    if current_ma > path.trip_ma:
        broken.append(BrokenLimit("trip_ma", path.trip_ma, current_ma))
    return tuple(broken)
