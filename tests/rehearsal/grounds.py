"""Small rehearsals with a ground that can be worked by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from faults.rehearsal.rehearsal import Rehearsal
from faults.tracing.problem import Costs, Meter
from faults.tracing.step import Step
from sites.network.elements import Device, Node, Segment, WirePath
from sites.network.faults import Fault, Place

EXACT = Meter(percent=0.0, counts=0.0, resolution_ma=1e-6)
COIL_OHM = 40.0 + 100.0j


def corner_path() -> WirePath:
    """A walk with round minutes at 1.2 m/s = 72 m/min.

    N0 --S1-- N1(D1, box)      N0 (0, 0)   N1 (72, 0)
              |
              S2
              |
              N2(D2, box) --S3-- N3(D3, buried)    N2 (72, 144)   N3 (216, 144)
    """
    return WirePath(
        label="corner",
        frequency_hz=60.0,
        source_v=28.0,
        source_ohm=0.4 + 0.0j,
        trip_ma=1000.0,
        nodes=(
            Node("N0", "controller", 0.0, 0.0, "cabinet"),
            Node("N1", "device-splice", 72.0, 0.0, "box"),
            Node("N2", "device-splice", 72.0, 144.0, "box"),
            Node("N3", "device-splice", 216.0, 144.0, "buried"),
        ),
        segments=(
            Segment("S1", "N0", "N1", 100.0, "2.5 mm2"),
            Segment("S2", "N1", "N2", 200.0, "2.5 mm2"),
            Segment("S3", "N2", "N3", 200.0, "2.5 mm2"),
        ),
        devices=tuple(Device(f"D{n}", f"N{n}", "decoder", 2.0) for n in (1, 2, 3)),
        topology="tree",
    )


def rehearsal(*faults: Fault, **changes: Any) -> Rehearsal:
    """The corner path with these faults and an exact meter; ``changes`` to any of its parts."""
    base = Rehearsal(
        survey=corner_path(),
        coil_ohm=COIL_OHM,
        faults=faults,
        meter=EXACT,
        seed=11,
        costs=Costs(),
    )
    return replace(base, **changes)


def short(at: Place, resistance_ohm: float = 5.0, *, show_chance: float = 1.0) -> Fault:
    """A short between the conductors."""
    return Fault("short", at, resistance_ohm=resistance_ohm, show_chance=show_chance)


def step(do: Any, **where: Any) -> Step:
    """A step that asks for this and says nothing else."""
    return Step(
        number=1,
        stage="following",
        do=do,
        step_minutes=0.0,
        remaining_p50_min=0.0,
        remaining_p90_min=0.0,
        why="",
        **where,
    )
