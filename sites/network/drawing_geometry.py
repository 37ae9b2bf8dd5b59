"""Where things of a drawn path lie: metres to drawing units, bends, stubs and label boxes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import atan2, ceil, cos, hypot, pi, sin
from statistics import median

from sites.network.elements import Device, Segment, WirePath

Point = tuple[float, float]

MARGIN = 46.0
LEAST_WIDTH, MOST_WIDTH = 760.0, 2200.0
LEAST_HEIGHT, MOST_HEIGHT = 150.0, 1500.0
STUB_LENGTH = 11.0
CONTROLLER_HALF = 8.0
WANTED_STEP = 64.0
"""The drawn length that half of the segments should pass, where the limits of size allow."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """How metres become drawing units: north up, one scale for both axes."""

    units_per_m: float
    west_m: float
    north_m: float
    left: float
    top: float
    width: float
    height: float

    def at(self, x_m: float, y_m: float) -> Point:
        """The drawn place of a point on the ground."""
        x = self.left + (x_m - self.west_m) * self.units_per_m
        return x, self.top + (self.north_m - y_m) * self.units_per_m


def scale_of(path: WirePath) -> Scale:
    """A scale at which the path fits and, within the limits of size, can be read."""
    xs = [node.x_m for node in path.nodes]
    ys = [node.y_m for node in path.nodes]
    wide_m, high_m = max(xs) - min(xs), max(ys) - min(ys)
    by_id = {node.id: node for node in path.nodes}
    steps_m = [
        hypot(a.x_m - b.x_m, a.y_m - b.y_m)
        for a, b in ((by_id[s.from_node], by_id[s.to_node]) for s in path.segments)
    ]
    step_m = median([step for step in steps_m if step > 0.0] or [1.0])
    fit_most = min(_fit(MOST_WIDTH, wide_m), _fit(MOST_HEIGHT, high_m))
    fit_least = min(_fit(LEAST_WIDTH, wide_m), _fit(LEAST_WIDTH * 0.75, high_m))
    units_per_m = min(fit_most, max(fit_least, WANTED_STEP / step_m))
    if units_per_m == float("inf"):
        units_per_m = 1.0
    drawn_wide, drawn_high = wide_m * units_per_m, high_m * units_per_m
    width = max(LEAST_WIDTH, drawn_wide + 2 * MARGIN)
    height = max(LEAST_HEIGHT, drawn_high + 2 * MARGIN)
    return Scale(
        units_per_m=units_per_m,
        west_m=min(xs),
        north_m=max(ys),
        left=(width - drawn_wide) / 2,
        top=(height - drawn_high) / 2,
        width=width,
        height=height,
    )


def _fit(limit: float, extent_m: float) -> float:
    return (limit - 2 * MARGIN) / extent_m if extent_m > 0.0 else float("inf")


def thinness(path: WirePath, scale: Scale) -> float:
    """How much symbols and lines shrink on a crowded drawing: 1 for none, down to 0.35."""
    places = {node.id: scale.at(node.x_m, node.y_m) for node in path.nodes}
    lengths = [
        hypot(
            places[s.from_node][0] - places[s.to_node][0],
            places[s.from_node][1] - places[s.to_node][1],
        )
        for s in path.segments
    ]
    lengths = [length for length in lengths if length > 0.0]
    return min(1.0, max(0.35, median(lengths) / 44.0)) if lengths else 1.0


@dataclass(frozen=True, slots=True)
class Course:
    """The drawn course of a segment: a straight line, or bent through ``bend``."""

    start: Point
    bend: Point
    end: Point

    def at(self, share: float) -> Point:
        """The point at a share of the course (a quadratic curve)."""
        rest = 1.0 - share
        return (
            rest * rest * self.start[0] + 2 * rest * share * self.bend[0] + share**2 * self.end[0],
            rest * rest * self.start[1] + 2 * rest * share * self.bend[1] + share**2 * self.end[1],
        )

    @property
    def span(self) -> float:
        """Straight distance between the ends."""
        return hypot(self.end[0] - self.start[0], self.end[1] - self.start[1])


def courses(path: WirePath, places: Mapping[str, Point]) -> dict[str, Course]:
    """The course of each segment; those between the same two nodes bend apart.

    A segment whose two nodes are drawn at one spot bulges out, so that it can be seen.
    """
    alike: dict[frozenset[str], list[Segment]] = defaultdict(list)
    for segment in path.segments:
        alike[frozenset((segment.from_node, segment.to_node))].append(segment)
    drawn: dict[str, Course] = {}
    for group in alike.values():
        for rank, segment in enumerate(group):
            start, end = places[segment.from_node], places[segment.to_node]
            # The sideways shift must not flip with the direction in which a segment was entered.
            flip = 1.0 if segment.from_node == group[0].from_node else -1.0
            shift = flip * (rank - (len(group) - 1) / 2) * 18.0
            drawn[segment.id] = _course(start, end, shift, rank)
    return drawn


def _course(start: Point, end: Point, shift: float, rank: int) -> Course:
    middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
    span = hypot(end[0] - start[0], end[1] - start[1])
    if span < 0.5:
        return Course(start, (start[0] + 14.0 + 8.0 * rank, start[1] - 14.0), end)
    across = (-(end[1] - start[1]) / span, (end[0] - start[0]) / span)
    # A quadratic curve passes half as far out as its control point.
    return Course(
        start, (middle[0] + 2 * shift * across[0], middle[1] + 2 * shift * across[1]), end
    )


def free_angles(around: Sequence[float], count: int) -> list[float]:
    """Directions for ``count`` stubs in the widest gap between the wires ``around`` a node."""
    if count == 0:
        return []
    angles = sorted(angle % (2 * pi) for angle in around)
    if not angles:
        angles = [pi / 2]
    gaps = [
        ((following - angle) % (2 * pi) or 2 * pi, angle)
        for angle, following in zip(angles, [*angles[1:], angles[0]], strict=True)
    ]
    # Among gaps that are equally wide the one that looks up on the drawing (y grows downwards).
    gap, begins = max(gaps, key=lambda each: (round(each[0], 6), -sin(each[1] + each[0] / 2)))
    return [begins + gap * (rank + 1) / (count + 1) for rank in range(count)]


def angle_from(here: Point, there: Point) -> float:
    """The direction from one drawn point to another, radians, y downwards."""
    return atan2(there[1] - here[1], there[0] - here[0])


def moved(here: Point, angle: float, distance: float) -> Point:
    """The point at a distance in a direction."""
    return here[0] + distance * cos(angle), here[1] + distance * sin(angle)


@dataclass(frozen=True, slots=True)
class Stub:
    """A device drawn at the end of its lead, which points away from the cables."""

    device: Device
    node: Point
    tip: Point


def stubs(
    path: WirePath, places: Mapping[str, Point], drawn: Mapping[str, Course], thin: float
) -> list[Stub]:
    """Each device at the tip of a stub that points into the widest gap at its node."""
    around: dict[str, list[float]] = defaultdict(list)
    for segment in path.segments:
        course = drawn[segment.id]
        around[segment.from_node].append(angle_from(course.start, course.at(0.2)))
        around[segment.to_node].append(angle_from(course.end, course.at(0.8)))
    hanging: dict[str, list[Device]] = defaultdict(list)
    for device in path.devices:
        hanging[device.node].append(device)
    found: list[Stub] = []
    for node in path.nodes:
        housing = CONTROLLER_HALF if node.kind == "controller" else 0.0
        length = housing + STUB_LENGTH * max(0.5, thin)
        here = places[node.id]
        angles = free_angles(around[node.id], len(hanging[node.id]))
        for device, angle in zip(hanging[node.id], angles, strict=True):
            found.append(Stub(device, here, moved(here, angle, length)))
    return found


Box = tuple[float, float, float, float]
"""Left, top, right, bottom."""

_CELL = 32.0
_MOST_IN_CELL = 64
"""Boxes in a cell past which all of it counts as taken: hardly anything is free there."""

_LINE_STEP = 6.0
_MOST_LINE_BOXES = 200_000


def line_step(drawn: Iterable[Course]) -> float:
    """How far apart the boxes of lines may lie, so that there are not too many of them."""
    return max(_LINE_STEP, sum(course.span for course in drawn) / _MOST_LINE_BOXES)


@dataclass(slots=True)
class Occupied:
    """Which parts of the drawing are taken, in cells, so that each question is O(1)."""

    width: float
    height: float
    _cells: dict[tuple[int, int], list[Box]] = field(default_factory=lambda: defaultdict(list))

    def take(self, box: Box) -> None:
        """Mark a box as taken."""
        for cell in self._touched(box):
            if len(boxes := self._cells[cell]) < _MOST_IN_CELL:
                boxes.append(box)

    def is_free(self, box: Box) -> bool:
        """Whether a box lies within the drawing and touches nothing taken."""
        if box[0] < 2 or box[1] < 2 or box[2] > self.width - 2 or box[3] > self.height - 2:
            return False
        return not any(self._hits(box, self._cells.get(cell, ())) for cell in self._touched(box))

    def take_line(self, course: Course, half_width: float, step: float = _LINE_STEP) -> None:
        """Mark the course of a line as taken, in small boxes along it, ``step`` apart."""
        steps = max(1, ceil(course.span / step))
        for at in range(steps + 1):
            x, y = course.at(at / steps)
            self.take((x - half_width, y - half_width, x + half_width, y + half_width))

    @staticmethod
    def _hits(box: Box, others: Sequence[Box]) -> bool:
        left, top, right, bottom = box
        if len(others) >= _MOST_IN_CELL:
            return True
        for other in others:
            if left < other[2] and other[0] < right and top < other[3] and other[1] < bottom:
                return True
        return False

    @staticmethod
    def _touched(box: Box) -> Iterator[tuple[int, int]]:
        for column in range(int(box[0] // _CELL), int(box[2] // _CELL) + 1):
            for row in range(int(box[1] // _CELL), int(box[3] // _CELL) + 1):
                yield column, row


def round_length_m(most_m: float) -> float:
    """The longest of 1, 2 or 5 times a power of ten that is at most ``most_m`` (above 0)."""
    power = 10.0 ** (len(f"{int(most_m)}") - 1) if most_m >= 1.0 else 0.1
    while power > most_m:
        power /= 10.0
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= most_m)
