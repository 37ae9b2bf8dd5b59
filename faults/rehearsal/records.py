"""A sound record of a ground as it was some years before the trace."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import networkx as nx
import numpy as np

from faults.rehearsal.layouts import drawing
from faults.rehearsal.meter import SeededMeter
from faults.rehearsal.rehearsal import Rehearsal
from faults.tracing.problem import SoundRecord
from sites.network.elements import WirePath
from sites.network.faults import Condition
from sites.network.solve import solve

DAY_OF_THE_TRACE = "2026-06-15"


@dataclass(frozen=True, slots=True)
class Recording:
    """How a record is taken.

    ``days`` before the trace; ``wander`` is the spread of the log by which all draws went
    together since, in a year. ``coil``: with the series coil in; ``far_v``: the far voltage
    too. ``off_by`` multiplies every current written down: a record that is wrong.
    """

    days: int
    coil: bool = False
    far_v: bool = False
    wander: float = 0.05
    off_by: float = 1.0


def recorded(rehearsal: Rehearsal, recording: Recording) -> Rehearsal:
    """The rehearsal with a record of every leg, taken by a meter with a gain of its own."""
    rng = np.random.default_rng([rehearsal.seed, 7, recording.days])
    since = math.exp(rng.normal(0.0, recording.wander * math.sqrt(recording.days / 365.25)))
    ground = rehearsal.ground
    then = drawing(ground, [device.draw_ma / since for device in ground.devices])
    coil_ohm = rehearsal.coil_ohm if recording.coil else None
    solution = solve(then, Condition(coil_ohm=coil_ohm))
    meter = SeededMeter(rehearsal.meter, int(rng.integers(0, 2**31)))
    day = str(np.datetime64(DAY_OF_THE_TRACE, "D") - np.timedelta64(recording.days, "D"))
    root = ground.controller.id
    rows = []
    for segment in ground.segments:
        if root not in (segment.from_node, segment.to_node):
            continue
        read_ma = meter.read(solution.current_ma(root, segment.id))
        far = _farthest_device_node(ground, segment.id) if recording.far_v else None
        far_v = None
        if far is not None:
            far_v = round(abs(solution.voltage_v(far)) * float(rng.normal(1.0, 0.01)), 2)
        rows.append(
            SoundRecord(
                leg=segment.id,
                current_ma=round(read_ma * recording.off_by, 1),
                coil=recording.coil,
                far_v=far_v,
                date=day,
            )
        )
    return replace(rehearsal, sound_record=tuple(rows), dated=DAY_OF_THE_TRACE)


def _farthest_device_node(path: WirePath, leg: str) -> str | None:
    """The node of the leg's device that is farthest along the cable; None without devices."""
    root = path.controller.id
    graph: nx.Graph[str] = nx.Graph()
    for segment in path.segments:
        at_root = root in (segment.from_node, segment.to_node)
        if segment.joint_open is None and (segment.id == leg or not at_root):
            graph.add_edge(segment.from_node, segment.to_node, metres=segment.length_m)
    if root not in graph:
        return None
    metres = nx.single_source_dijkstra_path_length(graph, root, weight="metres")
    nodes = [device.node for device in path.devices if device.node in metres]
    return max(nodes, key=lambda node: float(metres[node]), default=None)
