"""A path with its proved failures, to scale: where they crowd.

Failures are told by a disc with their number; a ring around it tells that it is one of a stretch
that failed again: nothing by colour alone.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from xml.etree.ElementTree import Element, SubElement, tostring

from faults.audit.records import DEVICE, SEGMENT, Failure, PathMap
from faults.recurrence.drawing import svg_sheet
from sites.network.drawing_text import number, plain, shortened, write

WIDTH = 560.0
_MARGIN, _TOP, _FOOT, _MOST_HEIGHT = 26.0, 40.0, 44.0, 520.0

_Point = tuple[float, float]


def stretch_map_svg(
    title: str, path_map: PathMap, failures: list[Failure], again: frozenset[str]
) -> str:
    """The path as SVG; ``again``: ids of the failures in a stretch that failed more than once.

    What is not on the newest map any more is left out, and the description says how many.
    """
    places, height, metre = _places(path_map)
    here = _by_place(path_map, places, failures)
    left_out = len(failures) - sum(len(own) for own in here.values())
    gone = f" {left_out} are not on the newest map." if left_out else ""
    root = svg_sheet(
        shortened(title, 62),
        f"{len(failures)} proved failures, {len(again)} of them in stretches that failed more than"
        f" once.{gone}",
        WIDTH,
        height,
    )
    for cable in path_map.cables:
        ends = [places[end] for end in cable.ends]
        told = " ".join(f"{number(x)},{number(y)}" for x, y in ends)
        look = {"class": "outline", "points": told, "fill": "none", "stroke-width": "1.2"}
        SubElement(root, "polyline", look)
    _controller(root, path_map, places)
    _failures(root, here, again)
    _foot(root, height, metre)
    return tostring(root, encoding="unicode")


def _places(path_map: PathMap) -> tuple[dict[str, _Point], float, float]:
    """Nodes on the drawing, its height, and drawing units of a metre; north is up."""
    xs = [node.x_m for node in path_map.nodes] or [0.0]
    ys = [node.y_m for node in path_map.nodes] or [0.0]
    wide, high = max(max(xs) - min(xs), 1.0), max(max(ys) - min(ys), 1.0)
    metre = min((WIDTH - 2 * _MARGIN) / wide, (_MOST_HEIGHT - _TOP - _FOOT) / high)
    left = (WIDTH - metre * wide) / 2
    places = {
        node.code: (left + (node.x_m - min(xs)) * metre, _TOP + (max(ys) - node.y_m) * metre)
        for node in path_map.nodes
    }
    return places, _TOP + metre * high + _FOOT, metre


def _controller(root: Element, path_map: PathMap, places: Mapping[str, _Point]) -> None:
    for node in path_map.nodes:
        if node.facts is None:
            x, y = places[node.code]
            side = {"width": "11", "height": "11", "x": number(x - 5.5), "y": number(y - 5.5)}
            SubElement(root, "rect", {"class": "mark", **side})
            write(root, node.code, (x, y + 15.0), look="faint")


def _by_place(
    path_map: PathMap, places: Mapping[str, _Point], failures: list[Failure]
) -> dict[_Point, list[Failure]]:
    """Failures by where they are drawn; a cable's in its middle, a device's at its node."""
    cables = {cable.code: cable.ends for cable in path_map.cables}
    node_of = {device.code: device.node for device in path_map.devices}
    at: dict[_Point, list[Failure]] = defaultdict(list)
    for failure in failures:
        code, kind = failure.place.code, failure.place.facts.kind
        if kind == SEGMENT and code in cables:
            (x1, y1), (x2, y2) = (places[end] for end in cables[code])
            at[(x1 + x2) / 2, (y1 + y2) / 2].append(failure)
        elif (node := node_of.get(code, "") if kind == DEVICE else code) in places:
            at[places[node]].append(failure)
    return at


def _failures(root: Element, at: Mapping[_Point, list[Failure]], again: frozenset[str]) -> None:
    for (x, y), here in at.items():
        size = 4.0 + 1.5 * len(here)
        sign = {"cx": number(x), "cy": number(y)}
        disc = SubElement(root, "circle", {"class": "mark", "r": number(size), **sign})
        names = ", ".join(sorted({one.place.code for one in here}))
        SubElement(disc, "title").text = plain(f"{names}: {len(here)} proved failures")
        if any(one.id in again for one in here):
            ring = {"class": "trail", "fill": "none", "stroke-width": "1.8"}
            SubElement(root, "circle", {**ring, "r": number(size + 4.0), **sign})
        if len(here) > 1:
            write(root, f"{len(here)} ×", (x + size + 6.0, y), anchor="start", bold=True)


def _foot(root: Element, height: float, metre: float) -> None:
    """What the signs mean, and a bar of the scale."""
    y = height - 16.0
    SubElement(root, "circle", {"class": "mark", "r": "5.5", "cx": "32", "cy": number(y)})
    write(root, "proved failure", (42.0, y), anchor="start")
    for kind, size in (("mark", "5.5"), ("trail", "9.5")):
        look = {"class": kind, "r": size, "cx": "152", "cy": number(y)}
        if kind == "trail":
            look |= {"fill": "none", "stroke-width": "1.8"}
        SubElement(root, "circle", look)
    write(root, "in a stretch that failed again", (166.0, y), anchor="start")
    long = next(m for m in (1000, 500, 200, 100, 50, 20, 10, 5, 1) if m * metre <= 150.0 or m == 1)
    right = WIDTH - 60.0
    ends = f"{number(right - long * metre)},{number(y)} {number(right)},{number(y)}"
    look = {"class": "outline", "points": ends, "fill": "none", "stroke-width": "2"}
    SubElement(root, "polyline", look)
    write(root, f"{long} m", (right + 6.0, y), anchor="start")
