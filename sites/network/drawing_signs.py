"""The signs of a drawn path: cables, open joints, splices, devices, the controller, steps."""

from __future__ import annotations

from math import pi, sqrt
from typing import Literal
from xml.etree.ElementTree import Element, SubElement

from sites.network.drawing_geometry import CONTROLLER_HALF, Course, Point, angle_from, moved
from sites.network.drawing_palette import (
    LEAST_DASH,
    TRAIL_DASH,
    UNKNOWN_DASH,
    UNKNOWN_WIDTH,
    WIDTHS,
)
from sites.network.drawing_text import TEXT_SIZE, number, plain, width_of
from sites.network.elements import Access

Shape = Literal["square", "circle", "diamond", "triangle"]

NODE_SHAPES: dict[str, tuple[Shape, float]] = {
    "device-splice": ("circle", 3.4),
    "branch-splice": ("diamond", 5.2),
    "inline-splice": ("square", 3.2),
    "cable-end": ("triangle", 4.4),
}
DEVICE_SHAPES: dict[str, tuple[Shape, float]] = {
    "decoder": ("square", 3.4),
    "sensor": ("circle", 3.6),
    "arrester": ("diamond", 4.4),
    "other": ("triangle", 4.2),
}


def entitled(parent: Element, look: str, title: str) -> Element:
    """A group with a title, which screens show on hovering."""
    group = SubElement(parent, "g", {"class": look})
    SubElement(group, "title").text = plain(title)
    return group


def current_line(class_index: int | None, thin: float) -> dict[str, str]:
    """Width, pattern and colour class of a line; None where no current is given.

    Lines thin out less than signs do, so that the strong ones still stand out on a large path.
    """
    thin = sqrt(thin)
    if class_index is None:
        dash = {"stroke-dasharray": UNKNOWN_DASH}
        return {"class": "unknown", "stroke-width": number(UNKNOWN_WIDTH * thin), **dash}
    width = max(0.9, WIDTHS[class_index] * thin)
    line = {"class": f"c{class_index}", "stroke-width": number(width)}
    return line | ({"stroke-dasharray": LEAST_DASH} if class_index == 0 else {})


def course_path(course: Course, first: float = 0.0, last: float = 1.0) -> str:
    """The path data of a course between two shares of it."""
    if first > 0.0 or last < 1.0:
        points = [course.at(first + (last - first) * step / 12) for step in range(13)]
        return "M" + "L".join(f"{number(x)} {number(y)}" for x, y in points)
    start, bend, end = ((number(x), number(y)) for x, y in (course.start, course.bend, course.end))
    return f"M{' '.join(start)}Q{' '.join(bend)} {' '.join(end)}"


def open_joint(parent: Element, course: Course, end: str, thin: float) -> None:
    """Two bars across the gap at the end whose conductors are apart."""
    share = gap_share(course, thin)
    near, far = (share * 0.55, share) if end == "from" else (1 - share * 0.55, 1 - share)
    for place in (near, far):
        here = course.at(place)
        along = angle_from(course.at(max(0.0, place - 0.01)), course.at(min(1.0, place + 0.01)))
        one = moved(here, along + pi / 2, 6.0 * thin + 1.0)
        other = moved(here, along - pi / 2, 6.0 * thin + 1.0)
        line(parent, one, other, look="outline", width=1.6)


def gap_share(course: Course, thin: float) -> float:
    """The share of a course that an open joint leaves out."""
    return min(0.4, (11.0 * thin + 3.0) / max(course.span, 1.0))


def line(parent: Element, one: Point, other: Point, *, look: str, width: float) -> Element:
    """A straight line."""
    ends = {"x1": number(one[0]), "y1": number(one[1])}
    ends |= {"x2": number(other[0]), "y2": number(other[1])}
    return SubElement(parent, "line", {"class": look, "stroke-width": number(width), **ends})


def trail(parent: Element, one: Point, other: Point) -> None:
    """The way from one step to the next."""
    line(parent, one, other, look="trail", width=1.1).set("stroke-dasharray", TRAIL_DASH)


def shape(parent: Element, form: Shape, here: Point, reach: float, look: str) -> Element:
    """A sign of one form; ``reach`` is half its size."""
    x, y = here
    if form == "circle":
        circle = {"cx": number(x), "cy": number(y), "r": number(reach)}
        return SubElement(parent, "circle", {"class": look, **circle})
    corners: dict[str, list[Point]] = {
        "square": [(-1, -1), (1, -1), (1, 1), (-1, 1)],
        "diamond": [(0, -1), (1, 0), (0, 1), (-1, 0)],
        "triangle": [(0, -1), (0.95, 0.75), (-0.95, 0.75)],
    }
    points = " ".join(f"{number(x + reach * a)},{number(y + reach * b)}" for a, b in corners[form])
    return SubElement(parent, "polygon", {"class": look, "points": points})


def node_sign(parent: Element, kind: str, access: Access, here: Point, thin: float) -> float:
    """The sign of a node, filled where there is a box, hollow where buried; returns its reach."""
    if kind == "controller":
        return controller_sign(parent, here)
    form, reach = NODE_SHAPES[kind]
    reach = max(1.3, reach * thin)
    look = "ink ringed" if access != "buried" else "hollow"
    sign = shape(parent, form, here, reach, look)
    sign.set("stroke-width", number(1.3 * thin if look == "hollow" else thin))
    return reach


def controller_sign(parent: Element, here: Point) -> float:
    """A dark housing with the two terminals of the path; returns its reach."""
    half = CONTROLLER_HALF
    housing = {"x": number(here[0] - half), "y": number(here[1] - half), "rx": "2.5"}
    side = number(2 * half)
    SubElement(parent, "rect", {"class": "ink", **housing, "width": side, "height": side})
    for shift in (-3.2, 3.2):
        terminal = {"cx": number(here[0] + shift), "cy": number(here[1]), "r": "2"}
        SubElement(parent, "circle", {"class": "ground", **terminal})
    return half


def device_sign(parent: Element, kind: str, here: Point, thin: float) -> float:
    """The sign of a device at the end of its lead, always hollow; returns its reach."""
    form, reach = DEVICE_SHAPES.get(kind, DEVICE_SHAPES["other"])
    reach = max(1.4, reach * thin)
    shape(parent, form, here, reach, "hollow").set("stroke-width", number(max(0.7, 1.2 * thin)))
    return reach


def balloon(parent: Element, text: str, here: Point) -> None:
    """The numbers of steps in a rounded box."""
    wide, high = balloon_size(text)
    box = {"x": number(here[0] - wide / 2), "y": number(here[1] - high / 2)}
    box |= {"width": number(wide), "height": number(high), "rx": number(high / 2)}
    SubElement(parent, "rect", {"class": "mark", **box})
    place = {"x": number(here[0]), "y": number(here[1] + TEXT_SIZE * 0.36)}
    label = SubElement(parent, "text", {"class": "on-mark", "font-weight": "700", **place})
    label.text = plain(text)


def balloon_size(text: str) -> tuple[float, float]:
    """Width and height of the box around step numbers."""
    high = TEXT_SIZE + 6.0
    return max(high, width_of(text) + 9.0), high
