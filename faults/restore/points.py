"""The path as points that are fed or not, and the links between them that can be parted.

Points are splices (a node's *joint*), cables, devices, and strays (things that are not on the
map). A link joins a cable's end or a device's lead to a joint. What must be off, and what cannot
be parted from it, is *barred*.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from faults.restore.problem import ON_THE_PATH, CannotRestore, RestoreProblem
from sites.network.elements import Device, End, Segment

PointKind = Literal["joint", "cable", "device", "stray"]
Point: TypeAlias = tuple[PointKind, str]


@dataclass(frozen=True, slots=True)
class Link:
    """A cable's end or a lead at a node's joint. ``splices`` to part it: 0 at the controller's
    terminals. ``fixed``: it cannot be reached."""

    thing: Point
    node: str
    end: End | None
    splices: int
    fixed: bool

    @property
    def joint(self) -> Point:
        """The joint it is at."""
        return ("joint", self.node)


@dataclass(frozen=True, slots=True)
class Web:
    """All points and links of a problem.

    ``closes`` are links that are apart by the map and could be joined; ``hubs`` the splices that
    must be off and past which what came off them can be joined, with the things there.
    ``weight``: stations of a device; ``length_mm`` of a cable; ``at`` the links of a point and
    ``near`` the points at their other ends.
    """

    root: Point
    links: tuple[Link, ...]
    closes: tuple[Link, ...]
    hubs: dict[str, tuple[Point, ...]]
    barred: frozenset[Point]
    weight: dict[Point, int]
    length_mm: dict[Point, int]
    at: dict[Point, list[Link]] = field(default_factory=dict)
    near: dict[Point, list[Point]] = field(default_factory=dict)

    def links_at(self, point: Point) -> list[Link]:
        """The links of a point."""
        return self.at.get(point, [])

    def beyond(self, link: Link, point: Point) -> Point:
        """The other point of a link."""
        return link.joint if point == link.thing else link.thing

    def fed(
        self, on: frozenset[Point] | None, closes: Iterable[Link], hubs: Iterable[str]
    ) -> set[Point]:
        """What hangs on the controller through points in ``on`` (None: all but the barred)."""
        return self.joined(self.root, on, closes, hubs)

    def joined(
        self,
        start: Point,
        on: frozenset[Point] | None,
        closes: Iterable[Link],
        hubs: Iterable[str],
    ) -> set[Point]:
        """The points that hang together with ``start``, through joints closed and hubs too."""
        more: dict[Point, list[Point]] = defaultdict(list)
        for link in closes:
            more[link.thing].append(link.joint)
            more[link.joint].append(link.thing)
        for node in hubs:
            for thing in self.hubs[node]:
                more[thing].extend(other for other in self.hubs[node] if other != thing)
        seen, waiting = {start}, [start]
        while waiting:
            here = waiting.pop()
            for point in (*self.near.get(here, ()), *more.get(here, ())):
                if point in seen:
                    continue
                if point not in self.barred if on is None else point in on:
                    seen.add(point)
                    waiting.append(point)
        return seen


def stations_of(device: Device) -> int:
    """How many stations a device stands for: its own, else its outputs, else one."""
    return len(device.stations) or device.outputs or 1


def web_of(problem: RestoreProblem) -> Web:
    """The points and links of a problem. Raises CannotRestore for a place that is not there."""
    path = problem.path
    root = path.controller.id
    suspects = _suspects(problem)
    open_to_work = {
        node.id
        for node in path.nodes
        if node.id == root or (node.access in problem.reach and node.id not in problem.closed)
    }
    links, apart = _links(problem, suspects, open_to_work)
    at: dict[Point, list[Link]] = defaultdict(list)
    for one in links:
        at[one.thing].append(one)
        at[one.joint].append(one)
    barred = _barred(suspects, at)
    if ("joint", root) in barred:
        raise CannotRestore("what must be off cannot be parted from the controller")
    closes = [one for one in apart if not one.fixed and not {one.thing, one.joint} & barred]
    hubs = {
        name: tuple(one.thing for one in at[kind, name] if one.thing not in barred)
        for kind, name in suspects
        if kind == "joint" and name in open_to_work
    }
    return Web(
        root=("joint", root),
        links=tuple(links),
        closes=tuple(closes),
        hubs={name: things for name, things in hubs.items() if len(things) > 1},
        barred=barred,
        weight={("device", device.id): stations_of(device) for device in path.devices},
        length_mm={("cable", s.id): round(1000.0 * s.length_m) for s in path.segments},
        at=dict(at),
        near={
            point: [one.joint if one.thing == point else one.thing for one in there]
            for point, there in at.items()
        },
    )


def _links(
    problem: RestoreProblem, suspects: list[Point], open_to_work: set[str]
) -> tuple[list[Link], list[Link]]:
    """The links that are joined, and those that are apart by the map."""
    path = problem.path
    root = path.controller.id
    links: list[Link] = []
    apart: list[Link] = []

    def link(thing: Point, node: str, end: End | None, *, joined: bool) -> None:
        made = Link(thing, node, end, int(node != root), node not in open_to_work)
        (links if joined else apart).append(made)

    for segment in path.segments:
        for end, node in _ends(segment):
            link(("cable", segment.id), node, end, joined=segment.joint_open != end)
    for device in path.devices:
        link(("device", device.id), device.node, None, joined=True)
    for kind, name in suspects:
        if kind == "stray":
            link((kind, name), name, None, joined=True)
    return links, apart


def _ends(segment: Segment) -> tuple[tuple[End, str], tuple[End, str]]:
    return ("from", segment.from_node), ("to", segment.to_node)


def _suspects(problem: RestoreProblem) -> list[Point]:
    path = problem.path
    known = {
        "device": {device.id for device in path.devices},
        "segment": {segment.id for segment in path.segments},
        "splice": {node.id for node in path.nodes},
    }
    known["unmapped"] = known["splice"]
    kinds: dict[str, PointKind] = {
        "device": "device",
        "segment": "cable",
        "splice": "joint",
        "unmapped": "stray",
    }
    found: list[Point] = []
    for place in dict.fromkeys(problem.must_be_off):
        if place.kind not in ON_THE_PATH:
            raise CannotRestore(f"{place} is no place that can be left off")
        if place.id not in known[place.kind]:
            raise CannotRestore(f"there is no {place} on the path")
        if place.kind == "splice" and place.id == path.controller.id:
            raise CannotRestore("the controller's own terminals cannot be left off")
        found.append((kinds[place.kind], place.id))
    if not found:
        raise CannotRestore("nothing must be off: the whole path can water")
    return found


def _barred(suspects: list[Point], at: dict[Point, list[Link]]) -> frozenset[Point]:
    """The suspects, and what cannot be parted from them."""
    barred, waiting = set(suspects), list(suspects)
    while waiting:
        here = waiting.pop()
        for link in at[here]:
            other = link.joint if here == link.thing else link.thing
            if link.fixed and other not in barred:
                barred.add(other)
                waiting.append(other)
    return frozenset(barred)
