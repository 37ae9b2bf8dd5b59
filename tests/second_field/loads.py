"""What the devices on the simulated ground draw at a given voltage.

A decoder is not a resistor here: it switches off below its own voltage, and some take constant
power above it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SWITCH_WIDTH_V = 0.3
FLOOR_V = 1.0


@dataclass(frozen=True, slots=True)
class Loads:
    """Devices side by side; every array has one entry for each device.

    `row` is the row of the device's node, `full_a` its current at `nominal_v`, `off_v` the
    voltage at which it switches off, `steady_power` whether it takes constant power above that.
    """

    row: NDArray[np.int64]
    full_a: NDArray[np.float64]
    off_v: NDArray[np.float64]
    steady_power: NDArray[np.bool_]
    nominal_v: float

    def at(self, magnitude_v: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
        """Currents in A and their slopes in A/V at these voltages, one for each device."""
        exponent = np.clip(-(magnitude_v - self.off_v) / SWITCH_WIDTH_V, -60.0, 60.0)
        share_on = 1.0 / (1.0 + np.exp(exponent))
        share_slope = share_on * (1.0 - share_on) / SWITCH_WIDTH_V
        held_v = np.maximum(magnitude_v, FLOOR_V)
        resistive = self.full_a * magnitude_v / self.nominal_v
        steady = self.full_a * self.nominal_v / held_v
        current = np.where(self.steady_power, steady, resistive)
        steady_slope = np.where(magnitude_v > FLOOR_V, -steady / held_v, 0.0)
        slope = np.where(self.steady_power, steady_slope, self.full_a / self.nominal_v)
        return current * share_on, slope * share_on + current * share_slope

    def only(self, chosen: NDArray[np.bool_]) -> Loads:
        """The same devices with those that are not chosen drawing nothing."""
        return Loads(
            row=self.row,
            full_a=np.where(chosen, self.full_a, 0.0),
            off_v=self.off_v,
            steady_power=self.steady_power,
            nominal_v=self.nominal_v,
        )

    def alone(self, position: int) -> Loads:
        """One device by itself, on row 0."""
        return Loads(
            row=np.zeros(1, dtype=np.int64),
            full_a=self.full_a[position : position + 1],
            off_v=self.off_v[position : position + 1],
            steady_power=self.steady_power[position : position + 1],
            nominal_v=self.nominal_v,
        )
