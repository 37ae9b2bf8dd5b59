"""A two-wire path drawn to scale as an SVG: currents, splices, devices and the steps taken.

A picture that stands alone: its colours follow the reader's light or dark screen, its title and
description say in words what it shows, and nothing in it is told by colour only.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from math import isfinite, pi
from xml.etree.ElementTree import Element, SubElement, tostring

from sites.network.drawing_geometry import (
    Occupied,
    Point,
    Scale,
    Stub,
    angle_from,
    courses,
    line_step,
    moved,
    scale_of,
    stubs,
    thinness,
)
from sites.network.drawing_legend import ROW, StepLine, legend, scale_bar, step_list
from sites.network.drawing_palette import CurrentClasses, milliamperes, style_sheet
from sites.network.drawing_signs import (
    balloon,
    balloon_size,
    course_path,
    current_line,
    device_sign,
    entitled,
    gap_share,
    line,
    node_sign,
    open_joint,
    trail,
)
from sites.network.drawing_text import (
    MOST_MISSED,
    TEXT_SIZE,
    Label,
    number,
    plain,
    put_labels,
    shortened,
    spots_around,
    width_of,
    write,
)
from sites.network.drawing_words import StepMark, description, device_words, segment_words
from sites.network.elements import Node, Segment, WirePath

__all__ = ["StepMark", "path_svg"]

HEAD = 34.0
"""Height of the line with the title."""


def path_svg(
    path: WirePath,
    *,
    currents_ma: Mapping[str, float],
    marks: Sequence[StepMark] = (),
    title: str = "",
) -> str:
    """The path as an SVG document.

    ``currents_ma`` holds magnitudes in milliamperes by segment id, and by device id for leads;
    what has no entry is drawn as not given. ``title`` stands above; empty: the path's label.
    Labels that find no room are left out, and the drawing says how many. O(elements).

    Raises ValueError for a current of something that is not on the path, a current that is
    negative or not a number, and a mark at a node that is not on the path.
    """
    _check(path, currents_ma, marks)
    return _Drawing(path, currents_ma, marks).svg(plain(title) or plain(path.label))


def _check(path: WirePath, currents_ma: Mapping[str, float], marks: Sequence[StepMark]) -> None:
    wires = {segment.id for segment in path.segments} | {device.id for device in path.devices}
    for wire, current_ma in currents_ma.items():
        if wire not in wires:
            raise ValueError(f"current of {wire!r}: no such segment or device on this path")
        if not isfinite(current_ma) or current_ma < 0.0:
            raise ValueError(f"current of {wire!r}: {current_ma!r} is no magnitude in mA")
    nodes = {node.id for node in path.nodes}
    for mark in marks:
        if mark.node_id not in nodes:
            raise ValueError(f"step {mark.number}: no node {mark.node_id!r} on this path")


class _Drawing:
    """One drawing while it is made: layers from the ground up, then the strip below."""

    def __init__(
        self, path: WirePath, currents_ma: Mapping[str, float], marks: Sequence[StepMark]
    ) -> None:
        self.path = path
        self.currents_ma = currents_ma
        self.classes = CurrentClasses.of(currents_ma)
        self.marks: dict[str, list[StepMark]] = defaultdict(list)
        for mark in marks:
            self.marks[mark.node_id].append(mark)
        self.order = marks
        self.scale: Scale = scale_of(path)
        self.thin = thinness(path, self.scale)
        self.places = {node.id: self.scale.at(node.x_m, node.y_m) for node in path.nodes}
        self.courses = courses(path, self.places)
        self.stubs = stubs(path, self.places, self.courses, self.thin)
        self.occupied = Occupied(self.scale.width, self.scale.height)
        self.reach: dict[str, float] = {}

    def svg(self, title: str) -> str:
        """All layers, then the strip, as text."""
        root = Element("svg", {"xmlns": "http://www.w3.org/2000/svg", "role": "img"})
        root.set("aria-label", title)
        root.set("font-family", "system-ui, 'DejaVu Sans', sans-serif")
        root.set("font-size", number(TEXT_SIZE))
        root.set("text-anchor", "middle")
        SubElement(root, "title").text = title
        SubElement(root, "desc").text = description(self.path, self.currents_ma, self.order)
        SubElement(root, "style").text = style_sheet()
        ground = SubElement(root, "rect", {"class": "ground", "width": "100%", "height": "100%"})
        write(
            root,
            shortened(title, int(self.scale.width / 9)),
            (24.0, 20.0),
            anchor="start",
            bold=True,
        ).set("font-size", "14")
        drawing = SubElement(root, "g", {"class": "path", "transform": f"translate(0 {HEAD:g})"})
        self._trail(drawing)
        self._segments(drawing)
        self._devices(drawing)
        self._nodes(drawing)
        self._balloons(drawing)
        written = put_labels(
            SubElement(drawing, "g", {"class": "labels"}),
            self._labels(),
            self.occupied,
            clear=1.0 + 6.0 * (1.0 - self.thin),
        )
        height = self._strip(root, self._label_count() - written)
        ground.set("height", number(height))
        root.set("viewBox", f"0 0 {number(self.scale.width)} {number(height)}")
        root.set("width", number(self.scale.width))
        root.set("height", number(height))
        return tostring(root, encoding="unicode")

    # -- layers ------------------------------------------------------------------------------

    def _segments(self, parent: Element) -> None:
        layer = SubElement(parent, "g", {"class": "cables", "fill": "none"})
        step = line_step(self.courses.values())
        # The strongest last, so that a faint line never lies over the one that matters.
        for segment in sorted(self.path.segments, key=lambda s: self.currents_ma.get(s.id, -1.0)):
            course = self.courses[segment.id]
            group = entitled(
                layer, "segment", segment_words(segment, self.currents_ma.get(segment.id))
            )
            group.set("data-segment", plain(segment.id))
            look = current_line(self._class(segment.id), self.thin)
            first, last = 0.0, 1.0
            if segment.joint_open is not None:
                share = gap_share(course, self.thin)
                first, last = (share, 1.0) if segment.joint_open == "from" else (0.0, 1.0 - share)
                open_joint(group, course, segment.joint_open, self.thin)
            drawn = {"d": course_path(course, first, last), "stroke-linecap": "round"}
            SubElement(group, "path", {**look, **drawn})
            half_width = max(1.5, float(look["stroke-width"]) / 2 + 1.0)
            self.occupied.take_line(course, half_width, step)

    def _devices(self, parent: Element) -> None:
        layer = SubElement(parent, "g", {"class": "devices"})
        for stub in self.stubs:
            device = stub.device
            group = entitled(layer, "device", device_words(device, self.currents_ma.get(device.id)))
            group.set("data-device", plain(device.id))
            lead = line(group, stub.node, stub.tip, look="outline", width=max(0.7, self.thin))
            if device.id in self.currents_ma:
                for name, value in current_line(self._class(device.id), self.thin).items():
                    lead.set(name, value)
            reach = device_sign(group, device.kind, stub.tip, self.thin)
            x, y = stub.tip
            self.occupied.take((x - reach, y - reach, x + reach, y + reach))

    def _nodes(self, parent: Element) -> None:
        layer = SubElement(parent, "g", {"class": "nodes"})
        for node in self.path.nodes:
            group = entitled(layer, "node", f"{node.id}: {node.kind}, {node.access}")
            group.set("data-node", plain(node.id))
            x, y = self.places[node.id]
            reach = node_sign(group, node.kind, node.access, (x, y), self.thin)
            self.reach[node.id] = reach
            self.occupied.take((x - reach, y - reach, x + reach, y + reach))

    def _trail(self, parent: Element) -> None:
        """The way from step to step, thin, dash and dot."""
        layer = SubElement(parent, "g", {"class": "steps-trail", "fill": "none"})
        for one, other in zip(self.order, self.order[1:], strict=False):
            if one.node_id != other.node_id:
                trail(layer, self.places[one.node_id], self.places[other.node_id])

    def _balloons(self, parent: Element) -> None:
        layer = SubElement(parent, "g", {"class": "steps"})
        for node_id, marks in self.marks.items():
            text = _numbers(marks)
            here = self.places[node_id]
            there = self._balloon_spot(here, text)
            words = "; ".join(f"step {mark.number}: {mark.label}" for mark in marks)
            group = entitled(layer, "step", f"{node_id}: {words}")
            line(group, here, there, look="trail", width=1.4)
            balloon(group, text, there)

    def _balloon_spot(self, here: Point, text: str) -> Point:
        """The nearest free spot around a node; where none is free, up and beside it."""
        wide, high = balloon_size(text)
        for distance in (22.0, 30.0, 40.0, 54.0, 72.0, 96.0, 130.0):
            for turn in (-3, -1, -2, 0, 4, 1, 3, 2, -2.5, -1.5, -0.5, -3.5, 0.5, 1.5, 2.5, 3.5):
                x, y = moved(here, turn * pi / 4, distance + wide / 2 - high / 2)
                box = (x - wide / 2 - 1, y - high / 2 - 1, x + wide / 2 + 1, y + high / 2 + 1)
                if self.occupied.is_free(box):
                    self.occupied.take(box)
                    return x, y
        return here[0] + 16.0, max(high, here[1] - 22.0)

    def _strip(self, root: Element, left_out: int) -> float:
        top = HEAD + self.scale.height + 8.0
        strip = SubElement(root, "g", {"class": "legend"})
        scale_bar(strip, self.scale, top)
        if left_out:
            # Of very many the last are not tried, so nobody knows whether there was room.
            why = "for want of room" if left_out < MOST_MISSED else "as too many for one drawing"
            words = f"{left_out} labels left out {why}"
            write(strip, words, (self.scale.width - 24.0, top), look="faint", anchor="end")
        bottom = legend(
            strip,
            self.path,
            self.currents_ma,
            top + 32.0,
            width=self.scale.width,
            has_steps=bool(self.order),
        )
        if self.order:
            bottom += 8.0
            write(strip, "Steps taken", (24.0, bottom), bold=True, anchor="start")
            lines = [
                StepLine(mark.number, f"{shortened(mark.node_id)}: {plain(mark.label)}")
                for mark in self.order
            ]
            bottom = step_list(strip, lines, bottom + ROW + 2, width=self.scale.width)
        return bottom + 8.0

    # -- labels ------------------------------------------------------------------------------

    def _labels(self) -> Iterator[Label]:
        """All labels, the ones that help most first."""
        controller = self.path.controller
        yield self._node_label(controller, bold=True)
        legs = {s.id for s in self.path.segments if controller.id in (s.from_node, s.to_node)}
        marked = set(self.marks) - {controller.id}
        by_current = sorted(
            (s for s in self.path.segments if s.id in self.currents_ma),
            key=lambda s: -self.currents_ma[s.id],
        )
        near = [s for s in by_current if s.id in legs or {s.from_node, s.to_node} & set(self.marks)]
        yield from (self._current_label(segment) for segment in near)
        yield from (self._device_label(s) for s in self.stubs if s.device.id in self.currents_ma)
        yield from (self._node_label(node) for node in self.path.nodes if node.id in marked)
        branches = [n for n in self.path.nodes if n.kind == "branch-splice" and n.id not in marked]
        yield from (self._node_label(node) for node in branches)
        shown = {segment.id for segment in near}
        rest = [segment for segment in by_current if segment.id not in shown]
        yield from (self._current_label(s) for s in rest if (self._class(s.id) or 0) > 0)
        yield from (
            self._device_label(s) for s in self.stubs if s.device.id not in self.currents_ma
        )
        others = {"controller", "branch-splice"}
        yield from (
            self._node_label(node)
            for node in self.path.nodes
            if node.kind not in others and node.id not in marked
        )
        yield from (self._current_label(s) for s in rest if (self._class(s.id) or 0) == 0)

    def _label_count(self) -> int:
        """How many labels there are: of nodes, devices, and cables with a current."""
        cables = sum(segment.id in self.currents_ma for segment in self.path.segments)
        return len(self.path.nodes) + len(self.path.devices) + cables

    def _node_label(self, node: Node, *, bold: bool = False) -> Label:
        text = shortened(node.id)
        spots = spots_around(self.places[node.id], self.reach[node.id], width_of(text))
        return Label(text=text, spots=spots, look="faint" if not bold else "ink", bold=bold)

    def _device_label(self, stub: Stub) -> Label:
        text = shortened(stub.device.id)
        current_ma = self.currents_ma.get(stub.device.id)
        if current_ma is not None:
            text += f" {milliamperes(current_ma)} mA"
        return Label(text=text, spots=spots_around(stub.tip, 4.4 * self.thin, width_of(text)))

    def _current_label(self, segment: Segment) -> Label:
        text = f"{milliamperes(self.currents_ma[segment.id])} mA"
        course = self.courses[segment.id]
        spots: list[Point] = []
        for share in (0.5, 0.35, 0.65):
            here = course.at(share)
            along = angle_from(course.at(share - 0.05), course.at(share + 0.05))
            spots += _beside(here, along, width_of(text))
        strong = (self._class(segment.id) or 0) >= 3
        return Label(text=text, spots=spots, bold=strong)

    def _class(self, wire: str) -> int | None:
        current_ma = self.currents_ma.get(wire)
        return None if current_ma is None else self.classes.index(current_ma)


def _numbers(marks: Sequence[StepMark]) -> str:
    """The step numbers at one node, the middle ones left out where there are many."""
    numbers = [str(mark.number) for mark in marks]
    return (
        ", ".join(numbers) if len(numbers) <= 4 else f"{numbers[0]}, {numbers[1]} … {numbers[-1]}"
    )


def _beside(here: Point, along: float, width: float) -> list[Point]:
    """Two centres for a label beside a line, clear of it on either side."""
    across = along + pi / 2
    step = moved((0.0, 0.0), across, 1.0)
    distance = abs(step[0]) * width / 2 + abs(step[1]) * TEXT_SIZE / 2 + 6.0
    return [moved(here, across, -distance), moved(here, across, distance)]
