"""The clamp meter of a rehearsal: one gain for the whole trace, then counts, then rounding."""

from __future__ import annotations

import numpy as np

from faults.tracing.problem import Meter


class SeededMeter:
    """A meter whose errors come from a seed: the same seed reads the same way again.

    The gain is drawn once, so reading a place again does not average it away; each reading adds
    an error uniform within ± counts x resolution and is rounded to the resolution.
    """

    __slots__ = ("_draw", "_meter", "gain")

    def __init__(self, meter: Meter, seed: int) -> None:
        self._meter = meter
        self._draw = np.random.default_rng([seed, 1])
        self.gain = 1.0 + float(self._draw.uniform(-1.0, 1.0)) * meter.percent / 100.0

    def read(self, true_ma: float) -> float:
        """What the meter shows for a true current, both in mA; never below zero."""
        step_ma = self._meter.resolution_ma
        error_ma = float(self._draw.uniform(-1.0, 1.0)) * self._meter.counts * step_ma
        shown_ma = abs(true_ma) * self.gain + error_ma
        if step_ma > 0.0:
            shown_ma = round(shown_ma / step_ma) * step_ma
        # Ten digits: enough for any meter, and 147.0 stays 147.0 after x 0.001.
        return max(0.0, round(shown_ma, 10))
