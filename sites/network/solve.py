"""Solve a wire path under a condition."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sites.network.device_models import come_to_rest
from sites.network.effects import Effects, effects_of
from sites.network.elements import WirePath
from sites.network.errors import UnknownElement
from sites.network.faults import Condition
from sites.network.graph import Topology, build_topology
from sites.network.loop_solver import LoopNetwork
from sites.network.prepared import PreparedPath, prepare
from sites.network.solution import Solution
from sites.network.tree_solver import TreeNetwork

AS_BUILT = Condition()
"""Sound, no coil, everything on."""


def solve(path: WirePath, condition: Condition = AS_BUILT) -> Solution:
    """Currents and voltages of a path: O(n) on a tree, sparse LU on loops and earth faults.

    Raises ``NetworkError`` (``sites.network.errors``) for what has no answer.
    """
    return solve_prepared(prepare(path), condition)


def solve_prepared(prepared: PreparedPath, condition: Condition = AS_BUILT) -> Solution:
    """The same for a path prepared once: for many conditions on one path."""
    if condition.alone is not None:
        return _alone(prepared, condition)
    effects = effects_of(prepared, condition)
    base = topology_under(prepared, effects)
    if effects.leaks or not base.is_tree or _controller_open(prepared, effects):
        return solve_in_full(prepared, condition)
    network = TreeNetwork(prepared, base, effects)
    return network.solution(come_to_rest(network, prepared.devices, network.lifted))


def solve_in_full(prepared: PreparedPath, condition: Condition = AS_BUILT) -> Solution:
    """The two-conductor model with earth whatever the shape: slower, and never needed on trees."""
    effects = effects_of(prepared, condition)
    network = LoopNetwork(prepared, topology_under(prepared, effects), effects)
    return network.solution(come_to_rest(network, prepared.devices, network.lifted))


def topology_under(prepared: PreparedPath, effects: Effects) -> Topology:
    """The path's topology with the joints and legs of a condition apart, faults aside."""
    if effects.apart == prepared.open_joints:
        return prepared.topology
    return build_topology(
        len(prepared.path.nodes), prepared.segment_nodes, prepared.controller, effects.apart
    )


def _controller_open(prepared: PreparedPath, effects: Effects) -> bool:
    return any(node == prepared.controller for node, _ in effects.node_opens)


def _alone(prepared: PreparedPath, condition: Condition) -> Solution:
    """One device on the controller's terminals, with what is wrong with it, and no path."""
    device_id = condition.alone or ""
    at = prepared.device_of.get(device_id)
    if at is None:
        raise UnknownElement("device", device_id)
    path = prepared.path
    device = replace(path.devices[at], node=path.controller.id)
    faults = tuple(f for f in condition.faults if f.at.kind == "device" and f.at.id == device_id)
    bench = replace(path, segments=(), devices=(device,), nodes=(path.controller,))
    solved = solve(bench, Condition(coil_ohm=condition.coil_ohm, faults=faults))
    node_v = np.zeros(len(path.nodes), dtype=np.complex128)
    node_v[prepared.controller] = solved.node_v[0]
    device_a = np.zeros((len(path.devices), 2), dtype=np.complex128)
    device_a[at] = solved.device_a[0]
    device_siemens = np.zeros(len(path.devices), dtype=np.complex128)
    device_siemens[at] = solved.device_siemens[0]
    return Solution(
        prepared=prepared,
        solver="alone",
        controller_current_a=solved.controller_current_a,
        node_v=node_v,
        segment_a=np.zeros((len(path.segments), 2, 2), dtype=np.complex128),
        device_a=device_a,
        device_siemens=device_siemens,
    )
