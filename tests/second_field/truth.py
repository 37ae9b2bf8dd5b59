"""What is true on the simulated ground: spreads, the fault, and how the path is connected."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.second_field.places import Document, Place, place_of

COMMON_SPREAD = 0.35
DEVICE_SPREAD = 0.3
LENGTH_SPREAD = 0.03


@dataclass(frozen=True, slots=True)
class Spread:
    """How far the ground lies from the map; `EXACT` is the map itself, for hand-worked checks."""

    common_draw: float = COMMON_SPREAD
    device_draw: float = DEVICE_SPREAD
    length: float = LENGTH_SPREAD
    temp_c: tuple[float, float] = (10.0, 25.0)
    capacitance_nf_per_km: tuple[float, float] = (60.0, 150.0)
    off_v: tuple[float, float] = (8.0, 14.0)
    steady_power_share: float = 0.25
    fault_factor: tuple[float, float] = (0.7, 1.4)
    stub_m: tuple[float, float] = (3.0, 30.0)


EXACT = Spread(0.0, 0.0, 0.0, (20.0, 20.0), (0.0, 0.0), (-50.0, -50.0), 0.0, (1.0, 1.0))


@dataclass(frozen=True, slots=True)
class Hookup:
    """How the path is connected for one look: everything a person can have changed."""

    line_v: float
    coil_ohm: complex = 0j
    legs_on: frozenset[str] | None = None
    isolated: frozenset[Place] = frozenset()
    cut: frozenset[Place] = frozenset()
    fault_there: bool = True

    @property
    def behind_coil(self) -> bool:
        """Whether a coil holds the path at low voltage when a short is on it."""
        return self.coil_ohm != 0


@dataclass(frozen=True, slots=True)
class Fault:
    """A short as it lies: place, ohms behind the coil and at full voltage, segment fraction."""

    place: Place
    low_voltage_ohm: float
    full_voltage_ohm: float
    fraction: float = 0.5
    show_chance: float = 1.0

    def ohm(self, hookup: Hookup) -> float:
        """Resistance under this hookup."""
        return self.low_voltage_ohm if hookup.behind_coil else self.full_voltage_ohm


def fault_of(document: Document, rng: np.random.Generator, spread: Spread) -> Fault | None:
    """The first short of a document; mostly it conducts better at full voltage."""
    low, high = spread.fault_factor
    better = bool(rng.random() < 0.75)
    factor = float(rng.uniform(low, 1.0) if better else rng.uniform(1.0, high))
    for told in document.get("faults", []):
        if told["kind"] != "short":
            continue
        at, ohm = told["at"], float(told["resistance_ohm"])
        fraction = float(at.get("fraction", 0.5))
        return Fault(place_of(at), ohm, ohm * factor, fraction, float(told.get("show_chance", 1.0)))
    return None
