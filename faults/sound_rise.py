"""What a leg should read when it is sound, and whether a reading lies there.

Choices: a sound leg's current wanders by 5 % between visits (common practice, no source); with
no record of it, what its devices draw is known to 35 % together, as the engine of
the traces believes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from faults.tracing.assumptions import Assumptions
from faults.tracing.likelihood import reading_variance
from faults.tracing.problem import Meter

WANDER = 0.05
SIGMAS = 3.0
MOST_MA = 1_000_000.0
"""Above any current that is taken as a reading."""


@dataclass(frozen=True, slots=True)
class Expected:
    """What a leg should read. ``is_log``: the spread is that of the logarithm, for a prediction
    is off by a factor; ``sigma_ma`` is that factor's spread in mA then."""

    current_ma: float
    sigma_ma: float
    is_log: bool = False

    def holds(self, read_ma: float) -> bool:
        """Whether a reading lies within three spreads."""
        if not self.is_log:
            return abs(read_ma - self.current_ma) <= SIGMAS * self.sigma_ma
        if self.current_ma <= 0.0 or read_ma <= 0.0:
            return self.current_ma <= 0.0 and read_ma <= SIGMAS * self.sigma_ma
        return abs(math.log(read_ma / self.current_ma)) <= SIGMAS * self.sigma_ma / self.current_ma

    @property
    def span_ma(self) -> tuple[float, float]:
        """The least and the most that holds. The most is at most ``MOST_MA``, for the factor of a
        coarse meter on a small current is beyond any number."""
        most = SIGMAS * self.sigma_ma
        if not self.is_log or self.current_ma <= 0.0:
            return max(self.current_ma - most, 0.0), min(self.current_ma + most, MOST_MA)
        spreads = most / self.current_ma
        high = math.log(self.current_ma) + spreads
        return self.current_ma * math.exp(-spreads), math.exp(min(high, math.log(MOST_MA)))


def expected_by_record(record_ma: float, meter: Meter) -> Expected:
    """What a leg should read by what it read when it was sound, with a meter like this."""
    gain = meter.percent / 100.0 / math.sqrt(3.0)
    variance = 2.0 * _variance(record_ma, meter)
    variance += (2.0 * gain**2 + WANDER**2) * record_ma**2
    return Expected(record_ma, math.sqrt(variance))


def expected_by_circuit(predicted_ma: float, meter: Meter) -> Expected:
    """What a leg should read by the circuit alone."""
    meter_sigma_ma = math.sqrt(_variance(predicted_ma, meter))
    if predicted_ma <= 0.0:
        return Expected(0.0, meter_sigma_ma, is_log=True)
    beliefs = Assumptions()
    log_spread = math.hypot(beliefs.draw_log_spread, meter_sigma_ma / predicted_ma)
    return Expected(predicted_ma, log_spread * predicted_ma, is_log=True)


def _variance(current_ma: float, meter: Meter) -> float:
    return float(reading_variance(meter, np.array([current_ma]))[0])
