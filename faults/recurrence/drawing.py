"""Small plots as SVG, in the manner of the drawn path: light and dark, words with every figure.

Curves are told apart by pattern and a label at their end, points by shape; nothing by colour only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree.ElementTree import Element, SubElement, tostring

import numpy as np

from faults.recurrence.checked import Floats
from sites.network.drawing_palette import style_sheet
from sites.network.drawing_text import number, plain, shortened, write

WIDTH, HEIGHT = 560.0, 340.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 58.0, 185.0, 40.0, 50.0
_LONGEST = 26
FEW_MARKS = 8
"""So few points all bear their labels; of more, the strong ones."""

_PATTERNS = ("", "7 3.5", "2 4", "9 3 1.5 3")
_LOOKS = ("c2", "trail", "c4", "unknown")


@dataclass(frozen=True, slots=True)
class Curve:
    """A line through points, broken where one is not finite, or steps that hold until the next."""

    label: str
    x: Floats
    y: Floats
    steps: bool = False


@dataclass(frozen=True, slots=True)
class Marks:
    """Single points, each with a label or none; ``strong`` ones are filled."""

    x: Floats
    y: Floats
    labels: tuple[str, ...] = ()
    strong: tuple[bool, ...] = ()


@dataclass(frozen=True, slots=True)
class Bars:
    """Intervals, one a row from the top, each with its middle and a label."""

    labels: tuple[str, ...]
    low: Floats
    middle: Floats
    high: Floats


@dataclass(frozen=True, slots=True)
class Plot:
    """What one plot shows; ``level``: a line across at a value, such as what peers have."""

    title: str
    across: str
    up: str
    curves: tuple[Curve, ...] = ()
    marks: Marks | None = None
    bars: Bars | None = None
    level: float | None = None


def plot_svg(plot: Plot) -> str:
    """The plot as an SVG document. Values that are not finite are left out."""
    return tostring(plot_element(plot), encoding="unicode")


def plot_element(plot: Plot) -> Element:
    """The plot as an element, for a document of its own or within another."""
    height = HEIGHT if plot.bars is None else _TOP + _BOTTOM + 18.0 * len(plot.bars.labels)
    root = svg_sheet(plot.title, _description(plot), WIDTH, height)
    frame = _Frame.of(plot, height)
    _axes(root, frame, plot)
    for place, curve in enumerate(plot.curves):
        _curve(root, frame, curve, place)
    if plot.marks is not None:
        _marks(root, frame, plot.marks)
    if plot.bars is not None:
        _bars(root, frame, plot.bars)
    return root


def svg_sheet(title: str, description: str, width: float, height: float) -> Element:
    """An empty drawing with its title above, for light and dark grounds."""
    root = Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 0 {number(width)} {number(height)}",
            "role": "img",
            "font-family": "sans-serif",
            "font-size": "11",
            "text-anchor": "middle",
        },
    )
    SubElement(root, "title").text = plain(title)
    SubElement(root, "desc").text = description
    SubElement(root, "style").text = style_sheet()
    size = {"width": number(width), "height": number(height)}
    SubElement(root, "rect", {"class": "ground", **size})
    write(root, title, (width / 2, 18.0), bold=True)
    return root


@dataclass(frozen=True, slots=True)
class _Frame:
    """Where values lie on the drawing."""

    x: tuple[float, float]
    y: tuple[float, float]
    height: float

    @classmethod
    def of(cls, plot: Plot, height: float) -> _Frame:
        xs, ys = [np.zeros(1)], [np.zeros(1)]
        for curve in plot.curves:
            xs.append(curve.x)
            ys.append(curve.y)
        if plot.marks is not None:
            xs.append(plot.marks.x)
            ys.append(plot.marks.y)
        if plot.bars is not None:
            xs += [plot.bars.low, plot.bars.high]
            ys = [np.array([-0.5, len(plot.bars.labels) - 0.5])]
            if plot.level is not None:
                xs.append(np.array([plot.level]))
        elif plot.level is not None:
            ys.append(np.array([plot.level]))
        return cls(_range(xs), _range(ys), height)

    def at(self, x: float, y: float) -> tuple[float, float]:
        across = (x - self.x[0]) / (self.x[1] - self.x[0])
        up = (y - self.y[0]) / (self.y[1] - self.y[0])
        right, floor = WIDTH - _RIGHT, self.height - _BOTTOM
        return _LEFT + across * (right - _LEFT), floor - up * (floor - _TOP)


def _range(values: Sequence[Floats]) -> tuple[float, float]:
    every = np.concatenate(list(values))
    every = every[np.isfinite(every)]
    low, high = float(every.min()), float(every.max())
    return low, high if high > low else low + 1.0


def _ticks(low: float, high: float) -> list[float]:
    """Round numbers, some five of them."""
    rough = (high - low) / 5.0
    size = 10.0 ** np.floor(np.log10(rough))
    step = float(next(size * by for by in (1.0, 2.0, 5.0, 10.0) if size * by >= rough))
    first = np.ceil(low / step - 1e-9) * step
    return [float(round(tick, 12)) + 0.0 for tick in np.arange(first, high + 1e-9 * step, step)]


def _axes(root: Element, frame: _Frame, plot: Plot) -> None:
    corner, right = frame.at(frame.x[0], frame.y[0]), frame.at(frame.x[1], frame.y[0])
    top = frame.at(frame.x[0], frame.y[1])
    _line(root, [top, corner, right], "outline", 1.0)
    for tick in _ticks(*frame.x):
        x, y = frame.at(tick, frame.y[0])
        _line(root, [(x, y), (x, y + 4.0)], "outline", 1.0)
        write(root, f"{tick:g}", (x, y + 13.0), look="faint")
    if plot.bars is None:
        for tick in _ticks(*frame.y):
            x, y = frame.at(frame.x[0], tick)
            _line(root, [(x - 4.0, y), (x, y)], "outline", 1.0)
            write(root, f"{tick:g}", (x - 7.0, y), look="faint", anchor="end")
    write(root, plot.across, ((corner[0] + right[0]) / 2, corner[1] + 32.0))
    write(root, plot.up, (10.0, 32.0), look="faint", anchor="start")
    if plot.level is not None:
        if plot.bars is None:
            ends = [frame.at(frame.x[0], plot.level), frame.at(frame.x[1], plot.level)]
        else:
            ends = [frame.at(plot.level, frame.y[0]), frame.at(plot.level, frame.y[1])]
        _line(root, ends, "unknown", 1.2, "2 4")


def _curve(root: Element, frame: _Frame, curve: Curve, place: int) -> None:
    known = np.isfinite(curve.x) & np.isfinite(curve.y)
    pattern, look = _PATTERNS[place % len(_PATTERNS)], _LOOKS[place % len(_LOOKS)]
    # What is not finite breaks the line in two.
    for part in np.split(np.arange(len(known)), np.flatnonzero(~known)):
        at = part[known[part]]
        x, y = curve.x[at], curve.y[at]
        if curve.steps and len(at):
            x, y = np.repeat(x, 2)[1:], np.repeat(y, 2)[:-1]
        if len(x) > 1:
            points = [frame.at(float(a), float(b)) for a, b in zip(x, y, strict=True)]
            _line(root, points, look, 2.0, pattern)
    # Labels stand in a list at the right, each with a piece of its line: they never overlap.
    line = _TOP + 10.0 + 20.0 * place
    left = WIDTH - _RIGHT + 10.0
    _line(root, [(left, line), (left + 24.0, line)], look, 2.0, pattern)
    write(root, shortened(curve.label, _LONGEST), (left + 29.0, line), anchor="start")


def _marks(root: Element, frame: _Frame, marks: Marks) -> None:
    for place, (a, b) in enumerate(zip(marks.x, marks.y, strict=True)):
        if not (np.isfinite(a) and np.isfinite(b)):
            continue
        x, y = frame.at(float(a), float(b))
        strong = place < len(marks.strong) and marks.strong[place]
        size = {"cx": number(x), "cy": number(y), "r": "5" if strong else "3.5"}
        sign = SubElement(root, "circle", {"class": "mark" if strong else "hollow", **size})
        if place < len(marks.labels):
            SubElement(sign, "title").text = plain(marks.labels[place])
            if strong or len(marks.x) <= FEW_MARKS:
                write(root, shortened(marks.labels[place]), (x + 9.0, y), anchor="start")


def _bars(root: Element, frame: _Frame, bars: Bars) -> None:
    rows = zip(bars.labels, bars.low, bars.middle, bars.high, strict=True)
    for place, (label, low, middle, high) in enumerate(rows):
        row = len(bars.labels) - 1.0 - place
        if np.isfinite([low, middle, high]).all():
            ends = [frame.at(float(low), row), frame.at(float(high), row)]
            _line(root, ends, "c2", 2.0)
            x, y = frame.at(float(middle), row)
            size = {"cx": number(x), "cy": number(y), "r": "3.5"}
            SubElement(root, "circle", {"class": "hollow", **size})
        write(
            root,
            shortened(label, _LONGEST),
            (WIDTH - _RIGHT + 10.0, frame.at(0.0, row)[1]),
            anchor="start",
        )


def _line(
    root: Element,
    points: Sequence[tuple[float, float]],
    look: str,
    width: float,
    pattern: str = "",
) -> None:
    told = " ".join(f"{number(x)},{number(y)}" for x, y in points)
    attributes = {"class": look, "points": told, "fill": "none", "stroke-width": f"{width:g}"}
    if pattern:
        attributes["stroke-dasharray"] = pattern
    SubElement(root, "polyline", attributes)


def _description(plot: Plot) -> str:
    parts = [f"Across: {plot.across}. Up: {plot.up}."]
    for curve in plot.curves:
        known = np.isfinite(curve.y)
        if np.any(known):
            ends = (curve.y[known][0], curve.y[known][-1])
            parts.append(f"{curve.label}: from {ends[0]:.3g} to {ends[1]:.3g}.")
    if plot.marks is not None:
        parts.append(f"{len(plot.marks.x)} points.")
    if plot.bars is not None:
        parts += [
            f"{label}: {middle:.3g}, {low:.3g} to {high:.3g}."
            for label, low, middle, high in zip(
                plot.bars.labels, plot.bars.low, plot.bars.middle, plot.bars.high, strict=True
            )
        ]
    return plain(" ".join(parts))
