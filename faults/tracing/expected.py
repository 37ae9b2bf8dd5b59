"""What the wires at a suspect's place read with the suspect on, and with it off.

On: the suspect's likeliest cell. Off: the sound path behind the same coil, over the draw scales;
an unknown coil is the one that gives the reference its current with the suspect on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from faults.tracing.assumptions import Assumptions
from faults.tracing.evidence import CurrentReading
from faults.tracing.likelihood import meter_spread_ma
from faults.tracing.noise import device_by_id
from faults.tracing.posterior import Posterior
from faults.tracing.prediction import FaultSet, edge_ratio, lead_ratio, place_faults
from faults.tracing.problem import TraceProblem
from faults.tracing.soundness import SoundScales
from faults.tracing.tree_view import TreeView, typical_admittance_s
from faults.tracing.watch import WatchWire
from sites.network.faults import Place

FloatArray = NDArray[np.float64]

ON_SHARE = 0.04
"""Spread of a reading around its prediction with the suspect on, as a share: gain, drift,
neighbours' draws."""

OFF_WIDER = 1.5
OFF_MORE_MA = 2.0
"""Small sound things that the map does not have."""

LOW_SIGMAS = 3.0
"""How far below what is usual devices may draw before a reading shows that they are cut off."""

OFF_SHARE = 0.12
"""The same with the suspect off, beside what the draw scales leave open."""


@dataclass(frozen=True, slots=True)
class OnOff:
    """Milliamperes: the watched wire with the suspect on and off, the suspect's own current,
    and what each wire that goes on reads with the suspect on (``low_ma``). With the suspect off
    and the path rejoined past it the watched wire reads ``off_least_ma`` at least, for the sound
    devices beyond draw it; 0 where they are few."""

    on_ma: float
    on_spread_ma: float
    off_ma: float
    off_spread_ma: float
    off_least_ma: float
    fault_ma: float
    meter_ma: float
    low_ma: dict[str | None, float]

    @property
    def tells(self) -> bool:
        """Whether on and off differ by at least 3 sigma of what is known with the suspect on."""
        return abs(self.on_ma - self.off_ma) > 3.0 * (self.on_spread_ma + self.meter_ma)


@dataclass(frozen=True, slots=True)
class OnOffPredictor:
    """Predicts what the wires at a suspect's place read with it on and off."""

    problem: TraceProblem
    posterior: Posterior
    scales: SoundScales
    beliefs: Assumptions

    def of(
        self,
        suspect: Place,
        *,
        watched: WatchWire,
        onward_home: str,
        onward: tuple[str | None, ...],
    ) -> OnOff:
        """Predictions for ``suspect``; ``onward`` are the wires at ``onward_home`` whose reading
        would show a rival."""
        posterior = self.posterior
        row = int(posterior.rows.row_of[posterior.hypotheses.index[suspect]])
        column = int(posterior.best.column[row])
        scale = float(posterior.best.scale_ma[row])
        short = place_faults(
            posterior.sound,
            posterior.rows.point[row : row + 1],
            posterior.best.resistance_ohm[row : row + 1],
        )
        on = _Wires(self.problem, short, column, scale)
        meter = meter_spread_ma(self.problem.meter)
        on_ma = on.reading(watched.node, watched.wire) if watched.wire else scale
        total = complex(short.total[0, 0, column])
        fault = abs(complex(short.fault_current[0, 0, column]) / total)
        coil_ohm = coil_behind(self.problem, self.beliefs, total, scale)
        lifted = suspect.id if suspect.kind == "device" else None
        off_ma, off_spread, off_least = self._off(coil_ohm, watched, lifted)
        return OnOff(
            on_ma=on_ma,
            on_spread_ma=math.hypot(ON_SHARE * on_ma, meter),
            off_ma=off_ma,
            off_spread_ma=math.hypot(
                math.hypot(off_spread, OFF_SHARE * off_ma), 2.0 * meter + OFF_MORE_MA
            ),
            off_least_ma=max(0.0, off_least - 2.0 * meter),
            fault_ma=fault * scale,
            meter_ma=meter,
            low_ma={wire: on.reading(onward_home, wire) for wire in onward},
        )

    def _off(
        self, coil_ohm: complex, watched: WatchWire, lifted: str | None
    ) -> tuple[float, float, float]:
        """(mean, spread, least) of the watched wire on the sound path, over the draw scales.

        At the voltage of a faulted path devices say little of what they draw at full voltage, so
        the draw scale is taken as it was before any reading, and wider. A ``lifted`` device draws
        nothing. Each device's own draw adds its spread.
        """
        path, scales, beliefs = self.problem.path, self.scales, self.beliefs
        total = scales.total
        series = path.source_ohm + coil_ohm
        reference = 1000.0 * path.source_v * np.abs(total / (1.0 + series * total))
        values = reference
        if watched.wire:
            reading = CurrentReading("segment", watched.node, watched.wire, 0.0, 0.0)
            values = reference * scales.layers([reading])[0, 0, 0, :]
        if lifted is not None:
            lead = CurrentReading("lead", watched.node, lifted, 0.0, 0.0)
            values = np.maximum(values - reference * scales.layers([lead])[0, 0, 0, :], 0.0)
        logs = scales.logs / (OFF_WIDER * beliefs.draw_log_spread)
        weights = np.exp(-0.5 * logs**2)
        weights /= weights.sum()
        mean = float(weights @ values)
        common = max(0.0, float(weights @ (values - mean) ** 2))
        loads = max(1, _loads_beyond(scales.view, watched))
        own = (beliefs.draw_spread * mean) ** 2 / loads
        spread_log = math.hypot(beliefs.draw_log_spread, beliefs.draw_spread / math.sqrt(loads))
        least = float(np.interp(-LOW_SIGMAS * spread_log, scales.logs, values))
        return mean, math.sqrt(common + own), least


@dataclass(frozen=True, slots=True)
class _Wires:
    """What any wire reads with one short on the path."""

    problem: TraceProblem
    short: FaultSet
    column: int
    scale_ma: float

    def reading(self, node: str, wire: str | None) -> float:
        """A segment's, or the sound draw of a device's lead; nothing in a stray cable."""
        if wire is None:
            return 0.0
        view = self.short.sound.view
        edge = view.edge_of_wire.get((node, wire))
        if edge is not None:
            return float(edge_ratio(self.short, edge)[0, 0, self.column]) * self.scale_ma
        device = device_by_id(self.problem.path, wire)
        admittance = typical_admittance_s(device, self.problem.path)
        point = view.point_of_node[node]
        ratio = lead_ratio(self.short, point, admittance, np.array([False]))
        return float(ratio[0, 0, self.column]) * self.scale_ma


def _loads_beyond(view: TreeView, watched: WatchWire) -> int:
    """Points with devices at or beyond the watched wire."""
    edge = view.edge_of_wire.get((watched.node, watched.wire), 0)
    return int(np.count_nonzero(view.load_s[edge : view.last[edge]]))


def coil_behind(
    problem: TraceProblem, beliefs: Assumptions, faulted_total: complex, scale_ma: float
) -> complex:
    """The coil: as given, or the one behind which the faulted path draws ``scale_ma``."""
    if problem.coil_ohm is not None:
        return problem.coil_ohm
    direction = beliefs.median_coil_ohm / abs(beliefs.median_coil_ohm)
    behind = (problem.path.source_ohm + 1.0 / faulted_total) / direction
    reach = 1000.0 * problem.path.source_v / max(scale_ma, 1e-6)
    root = math.sqrt(max(reach**2 - behind.imag**2, 0.0))
    return max(root - behind.real, 1.0) * direction
