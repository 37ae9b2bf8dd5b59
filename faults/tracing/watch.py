"""The wires that a proof watches, and the readings it looks back on."""

from __future__ import annotations

from dataclasses import dataclass

from faults.tracing.tree_view import TreeView
from sites.network.faults import Place

REFERENCE = ""
"""Stands for the reference among the wires of the controller."""


@dataclass(frozen=True, slots=True)
class WatchWire:
    """The wire whose current tells: a segment at a node, or the reference."""

    node: str
    wire: str


@dataclass(frozen=True, slots=True)
class LoggedReading:
    """A clamp reading with the rig's state. ``sitting`` counts isolating and restoring acts, so
    that readings of one state stand together; ``proving`` whether a proof was under way;
    ``counted`` whether the cables in the box were told with it."""

    node: str
    wire: str | None
    current_ma: float
    isolated: frozenset[Place]
    sitting: int
    proving: bool
    counted: bool = False


def watch_wire(view: TreeView, suspect: Place, home: str) -> WatchWire:
    """The wire that feeds a suspect: for a segment its own upper end, else the incoming one."""
    if suspect.kind == "segment":
        return WatchWire(home, suspect.id)
    return WatchWire(home, view.upstream_segment.get(home, REFERENCE))


def home_node(view: TreeView, suspect: Place, device_node: dict[str, str]) -> str:
    """The node at which a suspect is proved: of a segment, its upper end."""
    if suspect.kind == "device":
        return device_node[suspect.id]
    if suspect.kind == "segment":
        middle = view.point_of_segment[suspect.id]
        above = int(view.parent[middle])
        return view.place_of_point[above].id
    return suspect.id
