"""Whether a path that reads sound is whole: its far wires carry what their devices draw.

A clamp sees no open conductor, but it sees that nothing flows where something should. Wires are
looked at from the far end: the outermost that should carry more than the meter can miss.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from faults.tracing.evidence import Evidence
from faults.tracing.likelihood import meter_spread_ma
from faults.tracing.posterior import Posterior
from faults.tracing.problem import Meter
from faults.tracing.soundness import SoundScales

MOST_FAR_WIRES = 6
SEEN_SPREADS = 4.0
DEAD_SHARE = 0.4


@dataclass(frozen=True, slots=True)
class FarWires:
    """(node, segment) of wires still to read, most draw first, and one that is dead, if any."""

    unseen: tuple[tuple[str, str], ...]
    dead: str | None


def far_wires(
    scales: SoundScales, posterior: Posterior, evidence: Evidence, meter: Meter
) -> FarWires:
    """The outermost wires whose sound current a clamp can see, against what was read."""
    view = scales.view
    node = int(np.abs(scales.node_logs - posterior.draw.centre).argmin())
    total = abs(scales.tree.total[node])
    reference = float(posterior.best.scale_ma[-1])
    current = np.abs(scales.tree.edge_current[:, node]) * (reference / total if total else 0.0)
    least = SEEN_SPREADS * meter_spread_ma(meter)
    wires = {edge: wire for wire, edge in view.edge_of_wire.items()}
    loud = [
        edge
        for edge, (at, segment) in wires.items()
        if current[edge] >= least and view.upstream_segment.get(at) == segment
    ]
    outer = [e for e in loud if not any(e < f < view.last[e] for f in loud)]
    outer.sort(key=lambda edge: -current[edge])
    read: dict[tuple[str, str], list[float]] = {}
    for reading in evidence.readings:
        read.setdefault((reading.node, reading.wire), []).append(reading.current_ma)
    unseen: list[tuple[str, str]] = []
    for edge in outer[:MOST_FAR_WIRES]:
        values = read.get(wires[edge], [])
        low = [v for v in values if v < DEAD_SHARE * current[edge]]
        if len(low) >= 2 and len(low) * 2 > len(values):
            return FarWires((), f"segment {wires[edge][1]} at {wires[edge][0]}")
        if not values or (low and len(values) < 3):
            unseen.append(wires[edge])
    return FarWires(tuple(unseen), None)
