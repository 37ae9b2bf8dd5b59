"""The least voltage that the far end of a sound leg may read.

Choices: a far voltage is known to 3 % (the engine's belief of one that is written down), and the
supply wanders by 5 % between visits, for mains may be 10 % off (common practice, no source). What
the cable drops goes with the draws, which are known to 35 % together.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import networkx as nx

from faults.sound_rise import SIGMAS
from faults.tracing.assumptions import Assumptions
from sites.network.elements import WirePath
from sites.network.solution import Solution

SUPPLY_WANDER = 0.05


@dataclass(frozen=True, slots=True)
class LeastVolts:
    """The least voltage, and by what: the path's ``limit``, its ``sound-record`` or the
    ``prediction``."""

    volts: float
    basis: str


def least_volts(
    *, limit_v: float | None, record_v: float | None, predicted_v: float | None, source_v: float
) -> LeastVolts | None:
    """What the far end may read at least: three spreads below the record, without one below the
    prediction, and never below the limit of the path. None where nothing is known.

    ``predicted_v``: the lowest voltage at a device of the leg; ``source_v``: the open supply's.
    """
    known = [] if limit_v is None else [LeastVolts(limit_v, "limit")]
    beliefs = Assumptions()
    once = beliefs.record.volts
    if record_v:
        share = SIGMAS * math.hypot(math.sqrt(2.0) * once, SUPPLY_WANDER)
        known.append(LeastVolts(record_v * (1.0 - share), "sound-record"))
    elif predicted_v:
        drop_v = max(source_v - predicted_v, 0.0)
        more_v = drop_v * math.expm1(SIGMAS * beliefs.draw_log_spread)
        below_v = math.hypot(SIGMAS * math.hypot(once, SUPPLY_WANDER) * predicted_v, more_v)
        known.append(LeastVolts(max(predicted_v - below_v, 0.0), "prediction"))
    return max(known, key=lambda one: one.volts, default=None)


def lowest_predicted_v(
    path: WirePath, solution: Solution, legs: Iterable[str]
) -> dict[str, float | None]:
    """The lowest voltage at a device that hangs on each leg; None where none is fed by it."""
    graph: nx.Graph[str] = nx.Graph()
    graph.add_nodes_from(node.id for node in path.nodes)
    graph.add_edges_from((one.from_node, one.to_node) for one in path.segments)
    graph.remove_node(path.controller.id)
    ends = {one.id: {one.from_node, one.to_node} for one in path.segments}
    lowest: dict[str, float | None] = {}
    for leg in legs:
        (first,) = ends[leg] - {path.controller.id}
        on_leg = nx.node_connected_component(graph, first)
        volts = (abs(solution.voltage_v(one.node)) for one in path.devices if one.node in on_leg)
        lowest[leg] = min((volt for volt in volts if volt > 0.0), default=None)
    return lowest
