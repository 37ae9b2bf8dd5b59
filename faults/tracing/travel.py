"""Minutes of a step: walking, opening what lies at a place, and the work there.

The rules of the survey form: a trace starts at the controller; walking is straight;
every arrival at a node costs by its access; a further reading there costs ``same_place_min``;
an act at the controller costs ``controller_min`` after walking there.

Choices where the form leaves room:

* arriving includes the first reading there; whatever is read after other work at the same
  visit is a further reading, and so is one at the controller right at the start;
* ``clamp_set`` is one reading for each wire: a step reckons with the wires on the map;
* several joints are gone to in the order given, and each costs as a device;
* a segment is isolated from its nearer end (on a tie ``from``), and ``isolate_segment_min``
  holds the work at both ends; an unmapped thing costs as the splice it hangs in;
* ``alone`` is an act at the controller; the carrying there is in the walk;
* ``cannot`` costs the way there and the arrival; ``strike`` costs nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import hypot
from typing import TypeAlias

from faults.tracing.observations import (
    Alone,
    Cannot,
    Clamp,
    ClampSet,
    CloseJoints,
    Isolate,
    Joint,
    Observation,
    OpenJoints,
    PathOff,
    Restore,
)
from faults.tracing.problem import Costs, TraceProblem
from faults.tracing.rig_places import node_of_joint, nodes_of_place, wires_at
from faults.tracing.step import Step
from sites.network.elements import Node, WirePath
from sites.network.faults import Place

CONTROLLER_ACTS = frozenset({"message", "fit_coil", "reference", "alone"})
"""What costs ``controller_min`` at the controller."""

CABINET_ACTS = frozenset({"power", "run_station"})
"""What costs ``same_place_min`` at the cabinet."""

Doing: TypeAlias = Observation | Step


@dataclass(frozen=True, slots=True)
class Position:
    """Where the technician stands.

    ``opened``: arrived and at work there, so that the next reading is a further one and no
    arrival is paid.
    """

    node: str
    opened: bool = False


def start_position(path: WirePath) -> Position:
    """At the controller, its cabinet open."""
    return Position(path.controller.id, opened=True)


def walk_minutes(costs: Costs, here: Node, there: Node) -> float:
    """Straight-line walking between two nodes."""
    return _distance_m(here, there) / costs.walk_m_per_s / 60.0


def arrival_minutes(costs: Costs, node: Node) -> float:
    """What an arrival costs by access: find and open a box, dig, nothing at a cabinet."""
    if node.access == "cabinet":
        return 0.0
    return costs.box_min if node.access == "box" else costs.buried_min


def isolate_minutes(costs: Costs, at: Place) -> float:
    """The work of isolating or restoring a place, once there."""
    if at.kind == "segment":
        return costs.isolate_segment_min
    return costs.isolate_device_min if at.kind == "device" else costs.isolate_splice_min


def step_minutes(problem: TraceProblem, position: Position, doing: Doing) -> tuple[float, Position]:
    """Minutes of one step or observation from ``position``, and where it ends.

    O(nodes + segments + devices). Raises KeyError for a node or segment that is not on the
    path; the rig's table refuses those before.
    """
    costs = problem.costs
    if doing.do in CONTROLLER_ACTS or doing.do in CABINET_ACTS:
        minutes, there = _go(problem, position, problem.path.controller.id)
        is_act = doing.do in CONTROLLER_ACTS
        return minutes + (costs.controller_min if is_act else costs.same_place_min), there
    if isinstance(doing, Cannot):
        return _go(problem, position, doing.node)
    node_id = _node_read(doing)
    if node_id is not None:
        minutes, there = _go(problem, position, node_id)
        further = _readings(problem.path, doing, node_id) - (0 if position == there else 1)
        return minutes + max(further, 0) * costs.same_place_min, there
    at = _place(doing)
    if at is not None:
        minutes, there = _go(problem, position, _way_to(problem.path, position, at))
        return minutes + isolate_minutes(costs, at), there
    return _joints_minutes(problem, position, _joints(doing))


def timeline_minutes(
    problem: TraceProblem, observations: Iterable[Observation]
) -> tuple[float, ...]:
    """The minute at which each observation was done: its ``at_min``, else by the costs.

    After an ``at_min`` the costs count on from it.
    """
    position = start_position(problem.path)
    now_min = 0.0
    times: list[float] = []
    for observation in observations:
        minutes, position = step_minutes(problem, position, observation)
        now_min = now_min + minutes if observation.at_min is None else observation.at_min
        times.append(now_min)
    return tuple(times)


def _go(problem: TraceProblem, position: Position, node_id: str) -> tuple[float, Position]:
    """Walk to a node and arrive; nothing where the work there has begun already."""
    there = Position(node_id, opened=True)
    if position == there:
        return 0.0, there
    node = _node(problem.path, node_id)
    walked = walk_minutes(problem.costs, _node(problem.path, position.node), node)
    return walked + arrival_minutes(problem.costs, node), there


def _joints_minutes(
    problem: TraceProblem, position: Position, joints: Iterable[Joint]
) -> tuple[float, Position]:
    minutes = 0.0
    for joint in joints:
        walked, position = _go(problem, position, node_of_joint(problem.path, joint))
        minutes += walked + problem.costs.isolate_device_min
    return minutes, position


def _way_to(path: WirePath, position: Position, at: Place) -> str:
    """The node at which a place is worked at: of a segment, the nearer end."""
    ends = nodes_of_place(path, at)
    if not ends:
        raise KeyError(at.id)
    if len(ends) == 1:
        return ends[0]
    here = _node(path, position.node)
    return min(ends, key=lambda end: _distance_m(here, _node(path, end)))


def _readings(path: WirePath, doing: Doing, node_id: str) -> int:
    """How many readings a step or observation at a node holds."""
    if doing.do != "clamp_set":
        return 1
    if isinstance(doing, ClampSet):
        return len(doing.readings)
    return len(wires_at(path, node_id))


def _node_read(doing: Doing) -> str | None:
    if isinstance(doing, (Clamp, ClampSet, PathOff)):
        return doing.node
    return doing.node if isinstance(doing, Step) else None


def _place(doing: Doing) -> Place | None:
    if isinstance(doing, (Isolate, Restore, Alone)):
        return doing.at
    return doing.at if isinstance(doing, Step) else None


def _joints(doing: Doing) -> tuple[Joint, ...]:
    if isinstance(doing, (OpenJoints, CloseJoints)):
        return doing.done
    return (doing.joints or ()) if isinstance(doing, Step) else ()


def _distance_m(here: Node, there: Node) -> float:
    return hypot(here.x_m - there.x_m, here.y_m - there.y_m)


def _node(path: WirePath, node_id: str) -> Node:
    for node in path.nodes:
        if node.id == node_id:
            return node
    raise KeyError(node_id)
