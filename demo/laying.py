"""Lays the wire paths of the invented properties: boxes, cables, splices, devices, stations.

The same plan gives the same path every time. Figures are trade judgement ("common practice, no
source").
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass, replace

import numpy as np

from demo.places import PathPlan, Run
from sites.network.elements import (
    Anchor,
    Device,
    Node,
    PathLimits,
    Segment,
    SpliceFacts,
    WirePath,
)

SEED = 20_260_301
LEAST_DEVICE_V = 20.0
REEL_M = 150.0
"""After about so much cable of a run a reel ended, and an inline splice lies in the ground."""

CONTROLLER = "C0"
_DECODERS = (
    # (share, outputs, draw mA, coil of a running valve mA, name)
    (0.70, 1, 0.9, 110.0, "one-station decoder"),
    (0.20, 2, 1.2, 110.0, "two-station decoder"),
    (0.10, 4, 1.6, 110.0, "four-station decoder"),
)


@dataclass(frozen=True)
class LaidPath:
    """A path and which nodes lie on which run, in order from where it starts."""

    path: WirePath
    runs: dict[str, tuple[str, ...]]


class _Laying:
    """Boxes and cables as they are laid, run after run."""

    def __init__(self, plan: PathPlan) -> None:
        self.plan = plan
        self.rng = np.random.default_rng([SEED, zlib.crc32(plan.label.encode())])
        self.nodes = [Node(CONTROLLER, "controller", 0.0, 0.0, "cabinet")]
        self.segments: list[Segment] = []
        self.spots = {CONTROLLER: (0.0, 0.0)}
        self.runs: dict[str, list[str]] = {}
        self._boxes = 0
        self._splices = 0

    def lay(self, run: Run) -> None:
        """One run of boxes, its bearing wandering a little from box to box."""
        start, position = run.hangs_on or ("", 0)
        here = self._boxes_of(start)[position - 1] if start else CONTROLLER
        bearing_deg, since_reel_m = run.bearing_deg, 0.0
        self.runs[run.name] = []
        for _ in range(run.boxes):
            bearing_deg += float(self.rng.normal(0.0, 6.0))
            stride_m = float(self.rng.uniform(7.0, 17.0))
            if since_reel_m + stride_m > REEL_M:
                here = self._inline(run, here, bearing_deg, stride_m / 2.0)
                stride_m, since_reel_m = stride_m / 2.0, 0.0
            since_reel_m += stride_m
            self._boxes += 1
            here = self._add(run, f"B{self._boxes}", here, bearing_deg, stride_m)

    def _boxes_of(self, run: str) -> list[str]:
        return [node for node in self.runs[run] if node.startswith("B")]

    def _inline(self, run: Run, here: str, bearing_deg: float, stride_m: float) -> str:
        self._splices += 1
        there = self._add(run, f"J{self._splices}", here, bearing_deg, stride_m)
        self.nodes[-1] = replace(self.nodes[-1], kind="inline-splice", access="buried")
        return there

    def _add(self, run: Run, there: str, here: str, bearing_deg: float, stride_m: float) -> str:
        x_m = self.spots[here][0] + stride_m * math.sin(math.radians(bearing_deg))
        y_m = self.spots[here][1] + stride_m * math.cos(math.radians(bearing_deg))
        self.spots[there] = (x_m, y_m)
        year = run.laid_year or self.plan.laid_year
        month = 2 + int(self.rng.integers(0, 4))
        splice = SpliceFacts(run.connector, f"{year}-{month:02d}", run.by_crew or None)
        self.nodes.append(Node(there, "device-splice", round(x_m, 1), round(y_m, 1), "box", splice))
        self.runs[run.name].append(there)
        self.cable(here, there, run, year)
        return there

    def cable(self, here: str, there: str, run: Run, year: int) -> None:
        """A cable with the slack that splices need; some are known by measuring."""
        straight_m = math.dist(self.spots[here], self.spots[there])
        known = "measured" if self.rng.uniform() < 0.15 else "scaled"
        self.segments.append(
            Segment(
                f"W{len(self.segments) + 1}",
                here,
                there,
                round(straight_m * float(self.rng.uniform(1.03, 1.09)) + 1.2, 1),
                run.conductor,
                length_known=known,
                laid_year=year,
            )
        )

    def close_loop(self) -> None:
        """Join the last boxes of two runs."""
        if self.plan.loop is None:
            return
        one, other = (self._boxes_of(run)[-1] for run in self.plan.loop)
        run = next(run for run in self.plan.runs if run.name == self.plan.loop[0])
        self.cable(one, other, run, self.plan.laid_year)

    def marked(self) -> tuple[Node, ...]:
        """The nodes, those where three or more cables meet marked as branch splices."""
        ends: dict[str, int] = {}
        for segment in self.segments:
            for end in (segment.from_node, segment.to_node):
                ends[end] = ends.get(end, 0) + 1
        return tuple(
            replace(node, kind="branch-splice")
            if node.kind == "device-splice" and ends[node.id] > 2
            else node
            for node in self.nodes
        )

    def devices(self) -> tuple[Device, ...]:
        """One device in each box: decoders with their stations, a sensor here and there, an
        arrester at the end of each run."""
        last = {self._boxes_of(run.name)[-1] for run in self.plan.runs}
        year = self.plan.laid_year
        station, found = 0, []
        for node in self.nodes:
            if not node.id.startswith("B"):
                continue
            name = f"D{node.id[1:]}"
            chance = float(self.rng.uniform())
            if node.id in last:
                device = Device(name, node.id, "arrester", 0.0, model_name="surge arrester")
            elif chance < 0.04:
                device = Device(name, node.id, "sensor", 2.4, model_name="soil moisture sensor")
            else:
                pick = self.rng.choice(3, p=[share for share, *_ in _DECODERS])
                _, outputs, draw_ma, active_ma, model = _DECODERS[int(pick)]
                stations = tuple(range(station + 1, station + outputs + 1))
                station += outputs
                device = Device(
                    name,
                    node.id,
                    "decoder",
                    draw_ma,
                    outputs=outputs,
                    active_ma=active_ma,
                    model_name=model,
                    stations=stations,
                )
            installed = year if self.rng.uniform() < 0.8 else int(self.rng.integers(year, 2025))
            found.append(replace(device, installed=f"{installed}-04"))
        return tuple(found)


def laid_path(plan: PathPlan, lat: float, lon: float) -> LaidPath:
    """The path of a plan, its controller at these WGS 84 degrees."""
    laying = _Laying(plan)
    for run in plan.runs:
        laying.lay(run)
    laying.close_loop()
    path = WirePath(
        label=plan.label,
        frequency_hz=60.0,
        source_v=28.0,
        source_ohm=0.4 + 0.1j,
        trip_ma=plan.trip_ma,
        nodes=laying.marked(),
        segments=tuple(laying.segments),
        devices=laying.devices(),
        topology="meshed" if plan.loop else "tree",
        conductor_temp_c=18.0,
        anchor=Anchor(lat, lon, 0.0),
        limits=PathLimits(min_device_v=LEAST_DEVICE_V, max_current_ma=0.8 * plan.trip_ma),
    )
    return LaidPath(path, {name: tuple(nodes) for name, nodes in laying.runs.items()})
