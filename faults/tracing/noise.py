"""The readings' ratios under every hypothesis, and how their errors hang together."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from faults.tracing.assumptions import Assumptions
from faults.tracing.evidence import CurrentReading
from faults.tracing.likelihood import ReadingNoise, reading_variance, slip_log_density
from faults.tracing.prediction import FaultSet, edge_ratio, lead_ratio
from faults.tracing.problem import TraceProblem
from faults.tracing.tree_view import TreeView, typical_admittance_s
from sites.network.elements import Device, WirePath
from sites.network.faults import Place

FloatArray = NDArray[np.float64]

STRAY_DRAW_MA = 3.0
"""Spread of what a sound thing that is not on the map draws (common practice, no source)."""


SMALL_COIL_OHM = 80.0
"""An unknown coil is taken to be at least about this, where only an order is wanted."""


def device_by_id(path: WirePath, device_id: str) -> Device:
    """The device with this id."""
    return next(device for device in path.devices if device.id == device_id)


def ratio_layer(
    reading: CurrentReading,
    faults: FaultSet,
    carriers: Mapping[Place, int],
    path: WirePath,
) -> FloatArray:
    """|current| over the reference's under each fault (K, R, S).

    ``carriers``: which fault, by index, flows through the own wire of a place.
    """
    view = faults.sound.view
    if reading.kind == "reference":
        return np.where(faults.magnitude > 0.0, 1.0, 0.0)
    if reading.kind == "segment":
        return edge_ratio(faults, view.edge_of_wire[(reading.node, reading.wire)])
    point = view.point_of_node[reading.node]
    if reading.kind == "lead":
        place = Place("device", reading.wire)
        admittance = typical_admittance_s(device_by_id(path, reading.wire), path)
    else:
        place, admittance = Place("unmapped", reading.node), 0j
    carries = np.zeros(len(faults.points), dtype=np.bool_)
    if place in carriers:
        carries[carriers[place]] = True
    return lead_ratio(faults, point, admittance, carries)


@dataclass(frozen=True, slots=True)
class DrawShares:
    """Each point's own draw as a share of the reference, squared and summed from the front:
    ``before`` (P + 1,), so that a subtree's is a difference."""

    before: FloatArray
    scale_ma: float

    def variance(self, low: int, high: int, spread: float) -> float:
        """Variance of the draws of points low..high, mA^2."""
        return spread**2 * self.scale_ma**2 * float(self.before[high] - self.before[low])


def is_fed(reading: CurrentReading, view: TreeView) -> bool:
    """Whether a reading is of a wire that hangs on the controller."""
    if reading.kind == "segment":
        return (reading.node, reading.wire) in view.edge_of_wire
    return reading.kind == "reference" or reading.node in view.point_of_node


def span_of(reading: CurrentReading, view: TreeView) -> tuple[int, int]:
    """The points low..high whose draw a reading sees; a stray wire sees none."""
    if reading.kind == "reference":
        return 0, view.size
    if reading.kind == "segment":
        edge = view.edge_of_wire[(reading.node, reading.wire)]
        return edge, int(view.last[edge])
    point = view.point_of_node[reading.node]
    return (point, point + 1) if reading.kind == "lead" else (point, point)


def top_ma(problem: TraceProblem, current_ma: FloatArray) -> float:
    """The most that a reading of anything may be: a dead short behind a small coil, or what was
    read already."""
    coil = abs(problem.coil_ohm) if problem.coil_ohm is not None else SMALL_COIL_OHM
    short = 1000.0 * problem.path.source_v / (coil + abs(problem.path.source_ohm))
    return 1.2 * max(short, float(current_ma.max()) if len(current_ma) else 0.0)


def reading_noise(
    readings: Sequence[CurrentReading],
    problem: TraceProblem,
    beliefs: Assumptions,
    view: TreeView,
    shares: DrawShares | None,
) -> ReadingNoise:
    """Covariance of the readings: the meter, the slow drift, and draws that nested wires share."""
    count = len(readings)
    current = np.array([reading.current_ma for reading in readings])
    hours = np.array([reading.at_min for reading in readings]) / 60.0
    covariance = np.diag(reading_variance(problem.meter, current))
    covariance += (
        beliefs.drift_per_hour**2 * np.minimum.outer(hours, hours) * np.outer(current, current)
    )
    if shares is not None:
        spans = [span_of(reading, view) for reading in readings]
        for i in range(count):
            for j in range(i + 1):
                low, high = max(spans[i][0], spans[j][0]), min(spans[i][1], spans[j][1])
                if high > low:
                    both = shares.variance(low, high, beliefs.draw_spread)
                    covariance[i, j] += both
                    if i != j:
                        covariance[j, i] += both
    for i, reading in enumerate(readings):
        if reading.kind == "unmapped":
            covariance[i, i] += STRAY_DRAW_MA**2
    top = top_ma(problem, current)
    slip = slip_log_density(current, beliefs.slips, top)
    return ReadingNoise(
        current_ma=current,
        covariance=covariance,
        slip_log=slip,
        sound_log=math.log(1.0 - beliefs.slips.any),
        top_ma=top,
    )
