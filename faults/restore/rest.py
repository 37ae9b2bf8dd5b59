"""The path that is fed once a choice is made, and whether its limits hold."""

from __future__ import annotations

from dataclasses import dataclass, replace

from faults.restore.points import Link, Web
from faults.restore.search import Choice
from sites.network.design_check import DesignFigures, design_figures
from sites.network.elements import End, Segment, WirePath
from sites.network.errors import NetworkError


@dataclass(frozen=True, slots=True)
class Rest:
    """The fed path and its design check; ``figures`` None where only the controller is left, or
    where the path has no answer (``solved`` False)."""

    path: WirePath
    figures: DesignFigures | None
    solved: bool = True

    @property
    def keeps_limits(self) -> bool:
        """Whether every limit of the path and the controller's trip current hold."""
        return self.solved and (self.figures is None or not self.figures.broken_limits)


def rest_of(path: WirePath, web: Web, choice: Choice) -> Rest:
    """What is left of a path by a choice."""
    on = choice.on
    joined = {
        (link.thing[1], link.end)
        for link in (*web.links, *choice.fixed.closes)
        if link.thing in on and link.joint in on and link.thing[0] == "cable"
    } | {(link.thing[1], link.end) for link in rejoined_links(web, choice)}
    segments = tuple(
        _with_joints(segment, joined) for segment in path.segments if ("cable", segment.id) in on
    )
    reached = {end for segment in segments for end in (segment.from_node, segment.to_node)}
    devices = tuple(device for device in path.devices if ("device", device.id) in on)
    nodes = tuple(
        node
        for node in path.nodes
        if node.id in reached or ("joint", node.id) in on or node.kind == "controller"
    )
    left = replace(path, nodes=nodes, segments=segments, devices=devices, topology=None)
    if not segments:
        return Rest(left, None)
    try:
        return Rest(left, design_figures(left))
    except NetworkError:
        return Rest(left, None, solved=False)


def rejoined_links(web: Web, choice: Choice) -> tuple[Link, ...]:
    """The ends and leads that are joined past a splice that is off."""
    return tuple(
        link
        for node in sorted(choice.fixed.hubs)
        for link in web.links_at(("joint", node))
        if link.thing in choice.on
    )


def _with_joints(segment: Segment, joined: set[tuple[str, End | None]]) -> Segment:
    apart: list[End] = [end for end in _ENDS if (segment.id, end) not in joined]
    joint_open = apart[0] if apart else None
    return segment if segment.joint_open == joint_open else replace(segment, joint_open=joint_open)


_ENDS: tuple[End, End] = ("from", "to")
