"""What lies near one splice point, at a size that a phone shows, and the ways on from there."""

from __future__ import annotations

from dataclasses import dataclass

from sites.network.elements import WirePath
from sites.pages.words import node_name

MOST_WAYS = 12


@dataclass(frozen=True)
class Near:
    """The point in the middle of a close-up. ``ways``: ids and names of the points at the other
    ends of its cable runs. ``unknown``: what was asked for and is not on the map."""

    node: str
    name: str
    ways: tuple[tuple[str, str], ...]
    unknown: str = ""


def near_of(network: WirePath, asked: str, otherwise: str = "") -> Near:
    """The point asked for, else ``otherwise``, else the controller; ids in any case of letters."""
    named = {node.id.casefold(): node for node in network.nodes}
    asked = asked.strip()[:64]
    found = named.get(asked.casefold())
    node = found or named.get(otherwise.casefold()) or network.controller
    ends = dict.fromkeys(
        one.to_node if one.from_node == node.id else one.from_node
        for one in network.segments
        if node.id in (one.from_node, one.to_node)
    )
    by_id = {one.id: one for one in network.nodes}
    ways = tuple((end, node_name(by_id[end])) for end in ends if end != node.id)
    return Near(node.id, node_name(node), ways[:MOST_WAYS], "" if found else asked)
