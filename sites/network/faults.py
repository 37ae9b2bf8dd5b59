"""Places on a path, what can be wrong there, and the condition a path is in right now."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from sites.network.elements import End

PlaceKind = Literal[
    "device", "splice", "segment", "controller", "none", "unmapped", "overload", "other"
]
FaultKind = Literal["short", "open", "earth"]
ConductorName = Literal["a", "b"]


@dataclass(frozen=True, slots=True)
class Place:
    """Where a fault is or may be.

    ``id`` is a device, node (``splice``, ``unmapped``) or segment id, and empty for the kinds
    that have no place on the path. How far along a segment a fault lies is the fault's matter
    (``Fault.fraction``): currents alone cannot tell it, so it takes no part in naming the place.
    """

    kind: PlaceKind
    id: str = ""

    def __str__(self) -> str:
        return f"{self.kind} {self.id}".strip()


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault. A short is between the conductors; open and earth faults are on one of them.

    ``fraction`` counts from a segment's ``from`` end and matters for segments only.
    ``show_chance`` below 1: the fault comes and goes.
    """

    kind: FaultKind
    at: Place
    resistance_ohm: float | None = None
    conductor: ConductorName | None = None
    fraction: float = 0.5
    show_chance: float = 1.0


@dataclass(frozen=True, slots=True)
class Condition:
    """How the path is rigged while something is measured.

    ``isolated`` places are out of the path with the path rejoined past them: a fault at such a
    place is gone, a device there draws nothing, a segment is replaced by a sound one.
    ``joints_open`` are (segment id, end) apart in addition to the survey's own;
    ``joints_closed`` are those of the survey that have been closed again.
    ``alone``: only this device hangs on the controller, at no distance.
    """

    coil_ohm: complex | None = None
    faults: tuple[Fault, ...] = ()
    isolated: frozenset[Place] = frozenset()
    legs_off: frozenset[str] = frozenset()
    joints_open: frozenset[tuple[str, End]] = frozenset()
    joints_closed: frozenset[tuple[str, End]] = frozenset()
    alone: str | None = None
