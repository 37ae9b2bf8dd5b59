"""The cheapest parting of what must be on from what must be off, without regard to the way.

A minimum cut: a point is on or off, a link between the two is parted, a cable that is off costs
its length. Whether everything that is on also hangs on the controller is looked at elsewhere;
the cut is a lower bound for all choices that keep what is fixed.
"""

from __future__ import annotations

from dataclasses import dataclass

import networkx as nx
from networkx.algorithms.flow import boykov_kolmogorov

from faults.restore.points import Point, Web

ONE_SPLICE = 10**12
"""More than all the millimetres of cable of a path."""

NEVER = 10**24

_ON, _OFF = ("on", ""), ("off", "")


@dataclass(frozen=True, slots=True)
class Cut:
    """Points that are on, and what parting and cable off cost: splices x ONE_SPLICE + mm."""

    on: frozenset[Point]
    cost: int


def cheapest_cut(
    web: Web, universe: frozenset[Point], must_on: frozenset[Point], must_off: frozenset[Point]
) -> Cut | None:
    """The cheapest choice of what is on within ``universe``; None where links that cannot be
    parted leave none. What is outside counts as off."""
    undecided = _undecided(web, universe, must_on, must_off)
    graph: nx.DiGraph[tuple[str, str]] = nx.DiGraph()
    graph.add_nodes_from((_ON, _OFF))
    fixed_cost = 0

    def side(point: Point) -> tuple[str, str]:
        if point in must_on:
            return _ON
        if point in must_off or point not in universe:
            return _OFF
        return point if point in undecided else _ON

    for point in undecided:
        if web.length_mm.get(point):
            _add(graph, _ON, point, web.length_mm[point])
    for link in web.links:
        one, other = side(link.thing), side(link.joint)
        if one == other:
            continue
        cost = NEVER if link.fixed else link.splices * ONE_SPLICE
        if {one, other} == {_ON, _OFF}:
            fixed_cost += cost
        elif cost:
            _add(graph, one, other, cost)
            _add(graph, other, one, cost)
    fixed_cost += sum(mm for cable, mm in web.length_mm.items() if side(cable) == _OFF)
    value, (on_side, _) = nx.minimum_cut(graph, _ON, _OFF, flow_func=boykov_kolmogorov)
    if value + fixed_cost >= NEVER:
        return None
    on = frozenset(p for p in universe if side(p) == _ON or p in on_side)
    return Cut(on, int(value) + fixed_cost)


def _add(
    graph: nx.DiGraph[tuple[str, str]], one: tuple[str, str], other: tuple[str, str], cost: int
) -> None:
    if graph.has_edge(one, other):
        graph[one][other]["capacity"] += cost
    else:
        graph.add_edge(one, other, capacity=cost)


def _undecided(
    web: Web, universe: frozenset[Point], must_on: frozenset[Point], must_off: frozenset[Point]
) -> set[Point]:
    """Points that are neither, and reach something off through their like: all others stay on,
    which parts nothing."""
    free = universe - must_on - must_off
    seen: set[Point] = set()
    waiting: list[Point] = []
    for link in web.links:
        for here, other in ((link.thing, link.joint), (link.joint, link.thing)):
            off = other in must_off or other not in universe
            if here in free and off and here not in seen:
                seen.add(here)
                waiting.append(here)
    while waiting:
        here = waiting.pop()
        for link in web.links_at(here):
            other = web.beyond(link, here)
            if other in free and other not in seen:
                seen.add(other)
                waiting.append(other)
    return seen
