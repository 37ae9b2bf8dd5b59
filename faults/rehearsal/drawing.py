"""A rehearsal as a picture: the ground, what its wires carry, and where the steps were taken."""

from __future__ import annotations

from faults.rehearsal.play import Played
from faults.rehearsal.rehearsal import Rehearsal
from faults.tracing.observations import Alone, Cannot, Clamp, Isolate, Reference, Restore
from faults.tracing.rig_places import nodes_of_place
from sites.network.drawing import StepMark, path_svg
from sites.network.elements import WirePath
from sites.network.faults import Condition
from sites.network.solve import solve


def rehearsal_svg(rehearsal: Rehearsal, played: Played) -> str:
    """An SVG of the ground with the coil in and the fault there, and the readings in order.

    Raises :class:`sites.network.errors.NetworkError` where the ground cannot be solved.
    """
    ground = rehearsal.ground
    solution = solve(ground, Condition(coil_ohm=rehearsal.coil_ohm, faults=rehearsal.faults))
    currents_ma = {s.id: solution.current_ma(s.from_node, s.id) for s in ground.segments}
    currents_ma |= {d.id: solution.current_ma(d.node, d.id) for d in ground.devices}
    return path_svg(ground, currents_ma=currents_ma, marks=step_marks(ground, played))


def step_marks(ground: WirePath, played: Played) -> tuple[StepMark, ...]:
    """A mark for each step done at a node of the ground."""
    nodes = {node.id for node in ground.nodes}
    marks = []
    for taken in played.steps:
        number = taken.step.number
        match taken.observation:
            case Clamp(node=node, wire=wire, current_ma=current_ma):
                marks.append(StepMark(number, node, f"{wire or 'unmapped'} {current_ma:g} mA"))
            case Reference(current_ma=current_ma):
                label = f"reference {current_ma:g} mA"
                marks.append(StepMark(number, ground.controller.id, label))
            case Isolate(at=at) | Restore(at=at):
                verb = taken.observation.do
                where = nodes_of_place(ground, at)[:1]
                marks.extend(StepMark(number, node, f"{verb} {at}") for node in where)
            case Alone(at=at, current_ma=current_ma):
                label = f"{at} alone {current_ma:g} mA"
                marks.append(StepMark(number, ground.controller.id, label))
            case Cannot(node=node):
                marks.append(StepMark(number, node, "cannot"))
    return tuple(mark for mark in marks if mark.node_id in nodes)
