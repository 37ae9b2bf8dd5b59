"""Makes ``demo/north_lawn.json``: an invented property, its wire path of 120 devices, a short.

``python -m demo.make_north_lawn`` writes the file anew; the same file comes out every time.
The property, its lie and its wiring are made up. Figures are trade judgement ("common
practice, no source").
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from faults.forms.rehearsal import rehearsal_document
from faults.rehearsal.rehearsal import Rehearsal
from faults.tracing.problem import Costs, Meter
from sites.network.elements import (
    Anchor,
    Device,
    Node,
    PathLimits,
    Segment,
    SpliceFacts,
    WirePath,
)
from sites.network.faults import Fault, Place

FILE = Path(__file__).with_name("north_lawn.json")
SEED = 20_240_611
DEVICES = 120
SHORT_AT = "B74"
SHORT_OHM = 2.8
COIL_OHM = 44.0 + 96.0j

# (name, boxes, bearing of the first stretch in degrees from the y axis, hangs on box; "" for the
# controller): two legs leave the pump house, and branches run into the lawns.
RUNS = (
    ("terrace leg", 26, 78.0, ""),
    ("rose walk", 9, -8.0, "B6"),
    ("bowling green", 13, 12.0, "B13"),
    ("orchard edge", 11, -4.0, "B20"),
    ("lime avenue leg", 24, -62.0, ""),
    ("long border", 12, 20.0, "B64"),
    ("north lawn", 15, 38.0, "B71"),
    ("pond side", 10, -20.0, "B79"),
)


class _Laying:
    """Boxes and cables as they are laid, run after run."""

    def __init__(self) -> None:
        self.rng = np.random.default_rng(SEED)
        self.nodes = [Node("C0", "controller", 0.0, 0.0, "cabinet")]
        self.segments: list[Segment] = []
        self.spots = {"C0": (0.0, 0.0)}

    def run(self, boxes: int, bearing_deg: float, start: str) -> None:
        """One run of boxes, its bearing wandering a little from box to box."""
        here = start or "C0"
        for position in range(boxes):
            bearing_deg += float(self.rng.normal(0.0, 7.0))
            stride_m = float(self.rng.uniform(9.0, 21.0))
            x_m = self.spots[here][0] + stride_m * math.sin(math.radians(bearing_deg))
            y_m = self.spots[here][1] + stride_m * math.cos(math.radians(bearing_deg))
            there = f"B{len(self.nodes)}"
            self.spots[there] = (x_m, y_m)
            buried = position > 2 and self.rng.uniform() < 0.04
            self.nodes.append(
                Node(
                    there,
                    "device-splice",
                    round(x_m, 1),
                    round(y_m, 1),
                    "buried" if buried else "box",
                    SpliceFacts(connector="gel-filled twist-on", made="2016-04"),
                )
            )
            self.segments.append(
                Segment(
                    f"W{len(self.segments) + 1}",
                    here,
                    there,
                    round(stride_m * float(self.rng.uniform(1.03, 1.1)) + 1.2, 1),
                    "AWG 14",
                    length_known="scaled",
                    laid_year=2016,
                )
            )
            here = there

    def marked(self) -> tuple[Node, ...]:
        """The nodes, those where three or more cables meet marked as branch splices."""
        ends: dict[str, int] = {}
        for segment in self.segments:
            for end in (segment.from_node, segment.to_node):
                ends[end] = ends.get(end, 0) + 1
        return tuple(
            replace(node, kind="branch-splice")
            if node.kind != "controller" and ends[node.id] > 2
            else node
            for node in self.nodes
        )


def north_lawn_path() -> WirePath:
    """The map: every box holds one device, most of them decoders for one station."""
    laying = _Laying()
    for _, boxes, bearing_deg, start in RUNS:
        laying.run(boxes, bearing_deg, start)
    devices = []
    for number in range(1, DEVICES + 1):
        sensor = number in (33, 88)
        devices.append(
            Device(
                f"D{number}",
                f"B{number}",
                "sensor" if sensor else "decoder",
                2.4 if sensor else 1.1,
                active_ma=None if sensor else 90.0,
                outputs=None if sensor else 1,
                stations=() if sensor else (number,),
            )
        )
    return WirePath(
        label="North lawn of an invented garden",
        frequency_hz=60.0,
        source_v=28.0,
        source_ohm=0.4 + 0.1j,
        trip_ma=1000.0,
        nodes=laying.marked(),
        segments=tuple(laying.segments),
        devices=tuple(devices),
        topology="tree",
        conductor_temp_c=18.0,
        anchor=Anchor(40.1, -3.2, 0.0),
        limits=PathLimits(min_device_v=20.0),
    )


def north_lawn() -> Rehearsal:
    """The map, a ground whose devices draw somewhat more than mapped, and a shorted splice."""
    survey = north_lawn_path()
    rng = np.random.default_rng([SEED, 1])
    devices = tuple(
        replace(device, draw_ma=round(device.draw_ma * 1.15 * math.exp(rng.normal(0.0, 0.25)), 3))
        for device in survey.devices
    )
    return Rehearsal(
        survey=survey,
        actual=replace(survey, devices=devices),
        coil_ohm=COIL_OHM,
        coil_known=False,
        faults=(Fault("short", Place("splice", SHORT_AT), resistance_ohm=SHORT_OHM),),
        meter=Meter(),
        seed=7,
        costs=Costs(),
    )


def north_lawn_text() -> str:
    """The rehearsal as JSON, one node, segment or device a line."""
    return _text(rehearsal_document(north_lawn()), 0) + "\n"


def _text(value: Any, level: int) -> str:
    """JSON whose lists of rows are broken by row, and its objects down to those lists."""
    pad, inner = "  " * level, "  " * (level + 1)
    if isinstance(value, dict) and level < 2:
        rows = [f"{inner}{json.dumps(key)}: {_text(row, level + 1)}" for key, row in value.items()]
        return "{\n" + ",\n".join(rows) + f"\n{pad}}}"
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return "[\n" + ",\n".join(f"{inner}{json.dumps(row)}" for row in value) + f"\n{pad}]"
    return json.dumps(value)


if __name__ == "__main__":
    FILE.write_text(north_lawn_text(), encoding="utf-8")
