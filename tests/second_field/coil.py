"""The series coil: its copper warms under current and cools without."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

FULL_HEAT_W = 3.0


@dataclass(slots=True)
class WarmingCoil:
    """`cold_ohm` at the start; resistance rises by at most `most_rise`, with a lag in minutes."""

    cold_ohm: complex
    most_rise: float
    lag_min: float
    rise: float = 0.0

    @property
    def ohm(self) -> complex:
        """Impedance now."""
        return complex(self.cold_ohm.real * (1.0 + self.rise), self.cold_ohm.imag)

    def pass_time(self, minutes: float, current_a: float) -> None:
        """Let `minutes` pass under `current_a` (0 when nothing flows through the coil)."""
        heat_w = current_a**2 * self.ohm.real
        aim = self.most_rise * min(1.0, heat_w / FULL_HEAT_W)
        self.rise = aim + (self.rise - aim) * math.exp(-minutes / self.lag_min)


def coil_on_the_ground(told_ohm: complex, rng: np.random.Generator) -> WarmingCoil:
    """The coil in hand: within 2 % of what the document says, with its own warming."""
    return WarmingCoil(
        cold_ohm=told_ohm * (1.0 + rng.uniform(-0.02, 0.02)),
        most_rise=float(rng.uniform(0.05, 0.15)),
        lag_min=float(rng.uniform(10.0, 25.0)),
    )
