"""The acts that leave a part off, in order, with what can hurt at each."""

from __future__ import annotations

import math
from collections import defaultdict

from faults.restore.cautions import (
    CAP,
    DEAD,
    FAR_SIDE,
    HANDS_OUT,
    LIVE,
    NO_THUNDER,
    VOLTS,
    WATER_RUNS,
    at_node,
)
from faults.restore.points import Link, Web
from faults.restore.problem import RestoreAct
from faults.restore.rest import Rest, rejoined_links
from faults.restore.search import Choice
from sites.network.elements import Node, WirePath


def parted_links(web: Web, choice: Choice) -> tuple[Link, ...]:
    """The ends and leads that come off their joints."""
    on = choice.on
    return tuple(link for link in web.links if (link.thing in on) != (link.joint in on))


def acts_of(path: WirePath, web: Web, choice: Choice, rest: Rest) -> tuple[RestoreAct, ...]:
    """Power off; node by node, the nearest next, first what comes off and then what is joined;
    power on; what must be read then."""
    root = path.controller.id
    parted: dict[str, list[Link]] = defaultdict(list)
    for link in parted_links(web, choice):
        parted[link.node].append(link)
    joined: dict[str, list[Link]] = defaultdict(list)
    for link in rejoined_links(web, choice):
        joined[link.node].append(link)
    closed: dict[str, list[Link]] = defaultdict(list)
    for link in sorted(choice.fixed.closes, key=lambda one: (one.node, one.thing)):
        closed[link.node].append(link)
    told = "Switch the controller off and prove it dead; take the series coil out if it is in."
    acts = [RestoreAct("power", root, told, cautions=(DEAD, NO_THUNDER))]
    for node in _walk(path, parted.keys() | joined.keys() | closed.keys()):
        reach = at_node(node.access)
        if parted[node.id]:
            acts.append(_part(node, parted[node.id], choice, reach))
        if joined[node.id]:
            wires = tuple(link.thing[1] for link in joined[node.id])
            told = f"At {node.id} join {_list(wires)} again past the splice that came out."
            acts.append(RestoreAct("rejoin", node.id, told, wires, (VOLTS, *reach)))
        if closed[node.id]:
            wires = tuple(link.thing[1] for link in closed[node.id])
            told = f"At {node.id} close the open joint of {_list(wires)}."
            acts.append(RestoreAct("close", node.id, told, wires, (VOLTS, *reach)))
    acts.append(
        RestoreAct("power", root, "Switch the controller on.", cautions=(HANDS_OUT, WATER_RUNS))
    )
    acts.append(RestoreAct("read", root, _reading(rest), cautions=(LIVE, WATER_RUNS)))
    return tuple(acts)


def _part(node: Node, links: list[Link], choice: Choice, reach: tuple[str, ...]) -> RestoreAct:
    wires = tuple(link.thing[1] for link in links)
    # An end whose cable stays on is fed by way of that cable's other end.
    live = any(link.thing in choice.on and link.thing[0] == "cable" for link in links)
    off = "lift" if all(link.thing[0] != "cable" for link in links) else "part"
    told = f"At {node.id} {off} both conductors of {_list(wires)}."
    return RestoreAct("part", node.id, told, wires, (*reach, *((FAR_SIDE,) if live else (CAP,))))


def _walk(path: WirePath, wanted: set[str]) -> list[Node]:
    """The nodes from the controller on, always the nearest next."""
    here = path.controller
    left = [node for node in path.nodes if node.id in wanted]
    walk: list[Node] = []
    while left:
        here = min(left, key=lambda n: (math.hypot(n.x_m - here.x_m, n.y_m - here.y_m), n.id))
        left.remove(here)
        walk.append(here)
    return walk


def _list(names: tuple[str, ...]) -> str:
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def _reading(rest: Rest) -> str:
    figures = rest.figures
    if figures is None or figures.farthest is None:
        return "Nothing but the controller is on: no message may show."
    far = figures.farthest
    return (
        f"No message may show; the path should draw about {figures.controller_current_ma:.0f} mA, "
        f"and {far.device_id}, the farthest, should have about {far.voltage_v:.1f} V. If not, off "
        "again: the fault is not in what was left off."
    )
