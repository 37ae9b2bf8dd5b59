"""The strip under a drawn path: scale bar, what lines and signs mean, and the steps taken."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from xml.etree.ElementTree import Element, SubElement

from sites.network.drawing_geometry import Scale, round_length_m
from sites.network.drawing_palette import CurrentClasses
from sites.network.drawing_signs import (
    balloon,
    balloon_size,
    controller_sign,
    current_line,
    device_sign,
    line,
    node_sign,
    trail,
)
from sites.network.drawing_text import number, shortened, width_of, write
from sites.network.elements import WirePath

ROW = 20.0
LEFT = 24.0
MOST_STEPS = 60
"""Steps listed in words under the drawing; all of them stand in its description."""

_STEP_COLUMN = 330.0


@dataclass(frozen=True, slots=True)
class StepLine:
    """A step as it is listed: its number and what was done where."""

    number: int
    text: str


def scale_bar(parent: Element, scale: Scale, top: float) -> None:
    """A bar of a round length with its end ticks."""
    length_m = round_length_m(min(160.0, scale.width / 4) / scale.units_per_m)
    wide = length_m * scale.units_per_m
    group = SubElement(parent, "g", {"class": "scale-bar", "fill": "none"})
    line(group, (LEFT, top), (LEFT + wide, top), look="outline", width=2.0)
    for end in (LEFT, LEFT + wide):
        line(group, (end, top - 4), (end, top + 4), look="outline", width=2.0)
    write(group, f"{length_m:g} m", (LEFT + wide + 8, top), anchor="start")


def legend(
    parent: Element,
    path: WirePath,
    currents_ma: Mapping[str, float],
    top: float,
    *,
    width: float,
    has_steps: bool,
) -> float:
    """What the lines and signs mean, in columns; returns where the strip ends."""
    entries = _line_entries(currents_ma, path, has_steps=has_steps) + _sign_entries(path)
    column = max(width_of(text) for _draw, text in entries) + 64.0
    columns = max(1, min(4, int((width - 2 * LEFT) // column)))
    rows = -(-len(entries) // columns)
    for index, (draw, text) in enumerate(entries):
        x = LEFT + (index // rows) * column
        y = top + (index % rows) * ROW
        draw(parent, x, y)
        write(parent, text, (x + 44.0, y), anchor="start")
    return top + rows * ROW


def step_list(parent: Element, steps: Sequence[StepLine], top: float, *, width: float) -> float:
    """The steps by number and in words, in columns read downwards; returns where it ends."""
    if not steps:
        return top
    columns = max(1, int((width - 2 * LEFT) // _STEP_COLUMN))
    listed = steps[:MOST_STEPS]
    rows = -(-len(listed) // columns)
    column = (width - 2 * LEFT) / columns
    for index, step in enumerate(listed):
        x = LEFT + (index // rows) * column
        y = top + (index % rows) * ROW
        balloon(parent, str(step.number), (x + balloon_size(str(step.number))[0] / 2, y))
        room = int((column - 48.0) / width_of("n"))
        write(parent, shortened(step.text, room), (x + 36.0, y), anchor="start")
    bottom = top + rows * ROW
    if len(steps) > MOST_STEPS:
        more = f"and {len(steps) - MOST_STEPS} more steps, in the description of this drawing"
        write(parent, more, (LEFT, bottom), look="faint", anchor="start")
        bottom += ROW
    return bottom


_Draw = Callable[[Element, float, float], None]
_Entry = tuple[_Draw, str]


def _line_entries(
    currents_ma: Mapping[str, float], path: WirePath, *, has_steps: bool
) -> list[_Entry]:
    """The strongest first; only the lines that the drawing has."""
    entries: list[_Entry] = []
    if currents_ma:
        texts = list(enumerate(CurrentClasses.of(currents_ma).texts()))
        entries += [(_line_sample(index), text) for index, text in reversed(texts)]
    if any(segment.id not in currents_ma for segment in path.segments):
        entries.append((_line_sample(None), "current not given"))
    if has_steps:
        entries.append((_trail_sample, "from step to step"))
    if any(segment.joint_open for segment in path.segments):
        entries.append((_joint_sample, "open joint"))
    return entries


def _line_sample(class_index: int | None) -> _Draw:
    def draw(parent: Element, x: float, y: float) -> None:
        ends = {"x1": number(x), "x2": number(x + 34.0), "y1": number(y), "y2": number(y)}
        SubElement(parent, "line", {**current_line(class_index, 1.0), **ends})

    return draw


def _trail_sample(parent: Element, x: float, y: float) -> None:
    trail(parent, (x, y), (x + 34.0, y))


def _joint_sample(parent: Element, x: float, y: float) -> None:
    for at in (x + 14.0, x + 20.0):
        line(parent, (at, y - 6), (at, y + 6), look="outline", width=1.6)


def _sign_entries(path: WirePath) -> list[_Entry]:
    """Only the signs that the drawing has."""
    names = {
        "controller": "controller",
        "device-splice": "device splice",
        "branch-splice": "branch splice",
        "inline-splice": "inline splice",
        "cable-end": "cable end",
    }
    used = {node.kind for node in path.nodes}
    entries: list[_Entry] = [
        (_node_sample(kind), name) for kind, name in names.items() if kind in used
    ]
    if any(node.access == "buried" and node.kind != "controller" for node in path.nodes):
        entries.append((_buried_sample, "hollow on the cable: buried"))
    kinds = {device.kind for device in path.devices}
    entries += [(_device_sample(kind), f"{shortened(kind)}, on its lead") for kind in sorted(kinds)]
    return entries


def _node_sample(kind: str) -> _Draw:
    def draw(parent: Element, x: float, y: float) -> None:
        if kind == "controller":
            controller_sign(parent, (x + 17.0, y))
        else:
            node_sign(parent, kind, "box", (x + 17.0, y), 1.0)

    return draw


def _buried_sample(parent: Element, x: float, y: float) -> None:
    node_sign(parent, "device-splice", "buried", (x + 17.0, y), 1.0)


def _device_sample(kind: str) -> _Draw:
    def draw(parent: Element, x: float, y: float) -> None:
        line(parent, (x + 8.0, y), (x + 17.0, y), look="outline", width=1.2)
        device_sign(parent, kind, (x + 20.0, y), 1.0)

    return draw
