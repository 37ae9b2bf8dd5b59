"""A path drawn for pages: all of it, or what lies around one splice point."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from xml.etree import ElementTree as ET

from django.http import HttpResponse

from sites.network.drawing import HEAD, StepMark, path_svg
from sites.network.drawing_geometry import scale_of
from sites.network.drawing_palette import style_sheet
from sites.network.elements import WirePath
from sites.network.errors import NetworkError
from sites.network.faults import Condition
from sites.network.solve import solve

NEARBY = (288.0, 240.0)
"""Width and height of a close-up in drawing units."""
ENLARGED = 1.25
"""So much larger than drawn it is shown: 360 by 300 on a phone, with words that can be read."""

_SVG = "http://www.w3.org/2000/svg"
_HASH = base64.b64encode(hashlib.sha256(style_sheet().encode()).digest()).decode()
# Opened by itself a drawing is a document with a style of its own, and nothing else.
_POLICY = f"default-src 'none'; style-src 'sha256-{_HASH}'; frame-ancestors 'self'"


def sound_currents_ma(path: WirePath) -> dict[str, float]:
    """What the cable runs of a sound path carry without the coil; empty where it has no state
    of rest."""
    try:
        solution = solve(path, Condition())
    except NetworkError:
        return {}
    return {one.id: solution.current_ma(one.from_node, one.id) for one in path.segments}


def path_drawing(
    path: WirePath,
    *,
    currents_ma: Mapping[str, float],
    marks: Sequence[StepMark] = (),
    title: str = "",
    around: str = "",
) -> str:
    """The drawing as SVG; with ``around``, a node's id, only what lies near it."""
    svg = path_svg(path, currents_ma=currents_ma, marks=marks, title=title)
    node = next((one for one in path.nodes if one.id == around), None)
    if node is None:
        return svg
    x, y = scale_of(path).at(node.x_m, node.y_m)
    wide, high = NEARBY
    ET.register_namespace("", _SVG)
    root = ET.fromstring(svg)  # noqa: S314 - it was written one line above
    root.set("viewBox", f"{x - wide / 2:.1f} {y + HEAD - high / 2:.1f} {wide:g} {high:g}")
    root.set("width", f"{ENLARGED * wide:g}")
    root.set("height", f"{ENLARGED * high:g}")
    _mark(root, x, y + HEAD)
    return ET.tostring(root, encoding="unicode")


def _mark(root: ET.Element, x: float, y: float) -> None:
    """Ring the place in the middle; the way from step to step would only lie across it."""
    for layer in root.findall(f"{{{_SVG}}}g"):
        for part in layer.findall(f"{{{_SVG}}}g[@class='steps-trail']"):
            layer.remove(part)
    ring = {"class": "trail", "fill": "none", "stroke-width": "3", "r": "17"}
    ET.SubElement(root, f"{{{_SVG}}}circle", {**ring, "cx": f"{x:.1f}", "cy": f"{y:.1f}"})


def svg_answer(svg: str) -> HttpResponse:
    """A drawing as an answer; it stands inside a page, or alone."""
    answer = HttpResponse(svg, content_type="image/svg+xml")
    answer.headers["Content-Security-Policy"] = _POLICY
    return answer
