"""The path of a trace as a drawing: readings at their wires, steps at their places."""

from __future__ import annotations

from collections.abc import Iterator

from faults.tracing.observations import (
    Alone,
    Cannot,
    Clamp,
    Isolate,
    Observation,
    Reference,
    Restore,
)
from faults.tracing.rig_places import nodes_of_place
from faults.tracing.session import Told
from sites.network.drawing import StepMark
from sites.network.elements import WirePath


def readings_ma(path: WirePath, told: tuple[Told, ...]) -> dict[str, float]:
    """The last reading of each wire on the map that was clamped and not taken back."""
    wires = {one.id for one in path.segments} | {one.id for one in path.devices}
    found: dict[str, float] = {}
    for one in told:
        seen = one.observation
        if isinstance(seen, Clamp) and not one.struck and seen.wire in wires:
            found[seen.wire] = abs(seen.current_ma)
    return found


def step_marks(path: WirePath, told: tuple[Told, ...]) -> list[StepMark]:
    """A mark at its place for each step that was done somewhere on the path."""
    nodes = {node.id for node in path.nodes}
    return [
        StepMark(one.step, node, label)
        for one in told
        if not one.struck
        for node, label in _places(path, one.observation)
        if node in nodes
    ]


def _places(path: WirePath, seen: Observation) -> Iterator[tuple[str, str]]:
    match seen:
        case Clamp(node=node, wire=wire, current_ma=current_ma):
            yield node, f"{wire or 'a wire not on the map'} {current_ma:g} mA"
        case Reference(current_ma=current_ma):
            yield path.controller.id, f"reference {current_ma:g} mA"
        case Isolate(at=at) | Restore(at=at):
            verb = "out" if isinstance(seen, Isolate) else "back in"
            for node in nodes_of_place(path, at)[:1]:
                yield node, f"{at.id} {verb}"
        case Alone(at=at, current_ma=current_ma):
            yield path.controller.id, f"{at.id} alone {current_ma:g} mA"
        case Cannot(node=node):
            yield node, "not possible"
