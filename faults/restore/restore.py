"""The smallest part of a path to leave off so that the rest waters."""

from __future__ import annotations

from faults.restore.acts import acts_of, parted_links
from faults.restore.points import Point, Web, web_of
from faults.restore.problem import CannotRestore, PartialRestore, RestoreProblem
from faults.restore.rest import Rest, rejoined_links, rest_of
from faults.restore.search import MOST_POINTS_IN_FULL, Choice, Search
from sites.network.elements import End
from sites.network.faults import Place, PlaceKind

MOST_TRIED, MOST_TRIED_ON_LARGE = 3000, 6
"""Choices that may break a limit before devices are taken off one after another."""

_PLACE_KIND: dict[str, PlaceKind] = {
    "joint": "splice",
    "cable": "segment",
    "device": "device",
    "stray": "unmapped",
}


def smallest_part_off(problem: RestoreProblem) -> PartialRestore:
    """The part to leave off: fewest stations dry, then fewest splices made, then least cable.

    What must be off is off, all else that is on hangs on the controller, and the path's limits
    hold for it. A sound connection between two things that stay on is never parted. Cost: some
    cuts of the path and one solve; where limits break, one solve for each choice tried.

    Raises CannotRestore for places that are not on the path or cannot be parted from the
    controller, and ``NetworkError`` where the survey itself names what there is not.
    """
    web = web_of(problem)
    search = Search(web)
    rests: dict[int, Rest] = {}

    def holds(choice: Choice) -> bool:
        rests[0] = rest_of(problem.path, web, choice)
        return rests[0].keeps_limits

    small = len(search.universe) <= MOST_POINTS_IN_FULL
    choice = search.best(holds, MOST_TRIED if small else MOST_TRIED_ON_LARGE)
    if choice is not None:
        return _told(problem, web, choice, rests[0], exact=True)
    choice = _shed(problem, web, search)
    return _told(problem, web, choice, rest_of(problem.path, web, choice), exact=False)


def _shed(problem: RestoreProblem, web: Web, search: Search) -> Choice:
    """Devices off until the limits hold: those with the least voltage on the whole rest first."""
    whole = search.cheapest()
    if whole is None:
        raise CannotRestore("what must be off cannot be parted from the rest")
    order = _lowest_first(rest_of(problem.path, web, whole), search.devices)
    few, many = 0, len(order)
    best: Choice | None = None
    while few <= many:
        middle = (few + many) // 2
        choice = search.lifted(whole, frozenset(order[:middle]))
        if rest_of(problem.path, web, choice).keeps_limits:
            best, many = choice, middle - 1
        else:
            few = middle + 1
    if best is None:
        raise CannotRestore("no part of the path keeps its limits, not even without any device")
    better = search.parted_better(best)
    if better is None or not rest_of(problem.path, web, better).keeps_limits:
        return best
    return better


def _lowest_first(rest: Rest, devices: frozenset[Point]) -> list[Point]:
    broken = rest.figures.broken_limits if rest.figures else ()
    low = [("device", device) for limit in broken for device in limit.device_ids]
    ordered: list[Point] = [point for point in sorted(devices) if point in low]
    ordered.sort(key=lambda point: low.index(("device", point[1])))
    return ordered + [point for point in sorted(devices, reverse=True) if point not in low]


def _told(
    problem: RestoreProblem, web: Web, choice: Choice, rest: Rest, *, exact: bool
) -> PartialRestore:
    path, on = problem.path, choice.on
    dry = tuple(device for device in path.devices if ("device", device.id) not in on)
    things: list[Point] = [("joint", node.id) for node in path.nodes]
    things += [("cable", segment.id) for segment in path.segments]
    things += [("device", device.id) for device in path.devices]
    things += sorted(point for point in web.barred if point[0] == "stray")
    left_off = tuple(
        Place(_PLACE_KIND[kind], name) for kind, name in things if (kind, name) not in on
    )
    return PartialRestore(
        cost=choice.cost,
        left_off=left_off,
        devices_dry=tuple(device.id for device in dry),
        stations_lost=tuple(sorted({station for device in dry for station in device.stations})),
        cable_off_m=sum(s.length_m for s in path.segments if ("cable", s.id) not in on),
        parted=tuple(
            _end(link.thing[1], link.end) for link in parted_links(web, choice) if link.end
        ),
        lifted=tuple(
            Place(_PLACE_KIND[link.thing[0]], link.thing[1])
            for link in parted_links(web, choice)
            if link.end is None
        ),
        rejoined=tuple(dict.fromkeys(link.node for link in rejoined_links(web, choice))),
        closed=tuple(
            sorted(_end(link.thing[1], link.end) for link in choice.fixed.closes if link.end)
        ),
        rest=rest.path,
        figures=rest.figures,
        acts=acts_of(path, web, choice, rest),
        exact=exact,
    )


def _end(segment: str, end: End) -> tuple[str, End]:
    return segment, end
