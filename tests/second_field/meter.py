"""The clamp meter in hand: one gain for the whole trace, counts, rounding and pick-up."""

from __future__ import annotations

import cmath
import math

import numpy as np

from tests.second_field.places import Document

MOST_PICK_UP_MA = 1.0


class ClampMeter:
    """Reads magnitudes in mA; every reading has a pick-up of 0 to 1 mA of any phase."""

    def __init__(self, told: Document, rng: np.random.Generator) -> None:
        percent = float(told.get("percent", 1.0))
        self._resolution_ma = float(told.get("resolution_ma", 1.0))
        self._error_ma = float(told.get("counts", 2.0)) * self._resolution_ma
        self._gain = 1.0 + float(rng.uniform(-percent, percent)) / 100.0
        self._rng = rng

    def read(self, current_a: complex) -> float:
        """What the display shows for this current in the jaw."""
        pick_up = self._rng.uniform(0.0, MOST_PICK_UP_MA)
        phase = self._rng.uniform(0.0, 2.0 * math.pi)
        shown = self._gain * abs(1000.0 * current_a + cmath.rect(pick_up, phase))
        shown += self._rng.uniform(-self._error_ma, self._error_ma)
        return round(max(0.0, round(shown / self._resolution_ma)) * self._resolution_ma, 6)

    def read_nothing(self) -> float:
        """Both conductors in the jaw: only pick-up is left, some 0 to 1 mA."""
        pick_up = self._rng.uniform(0.0, MOST_PICK_UP_MA)
        return round(round(pick_up / self._resolution_ma) * self._resolution_ma, 6)
