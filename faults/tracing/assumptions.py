"""What the engine believes before any reading: spreads, grids, and how often people slip.

All of it is trade judgement ("common practice, no source") unless a line says otherwise; it is
data, so that a test or a contractor can believe otherwise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Slips:
    """How a clamp reading goes wrong, as chances for one reading.

    ``both_conductors``: both in the jaw, which reads about 0. ``anything``: another wire of the
    box, or a slip of the decimal point; it may be any value.
    """

    both_conductors: float = 0.03
    anything: float = 0.03
    near_zero_ma: float = 1.5

    @property
    def any(self) -> float:
        """The chance that a reading is one of these."""
        return self.both_conductors + self.anything


@dataclass(frozen=True, slots=True)
class Priors:
    """Chances of what is not one place on the map, and weights of places against a device's."""

    controller: float = 0.03
    none: float = 0.03
    overload: float = 0.02
    hidden: float = 0.01
    other: float = 0.01
    unmapped_weight: float = 0.03


@dataclass(frozen=True, slots=True)
class RecordBeliefs:
    """How far a sound record is believed. Spreads are of logarithms.

    ``wrong`` is the chance that it is not of this path as it is (a slip, another leg, a path
    that was changed since); it grows ``wrong_per_year`` up to ``most_wrong``. ``wander``: how
    far the draws of all devices go together in a year (random walk). ``low_voltage``: how far
    draws behind coil and fault are from those at full voltage. ``least``: no record says more
    than this. ``volts``: a far voltage, and where along the leg it was taken. ``coil``: the coil
    of the record against that of the trace, where that one is known.
    """

    wrong: float = 0.05
    wrong_per_year: float = 0.05
    most_wrong: float = 0.5
    unknown_age_years: float = 2.0
    wander: float = 0.05
    low_voltage: float = 0.10
    least: float = 0.03
    volts: float = 0.03
    coil: float = 0.10


@dataclass(frozen=True, slots=True)
class Assumptions:
    """The engine's nuisances. Spreads are standard deviations; ``log`` ones of a logarithm.

    ``scale_spread``: the source and a coil that is known, beside the meter's gain.
    ``drift_per_hour``: how far all readings wander together in an hour (random walk).
    ``draw_log_spread`` and ``draw_spread``: all devices together, and each by itself.
    ``off_share``: the chance that devices draw nothing at the low voltage behind the coil.
    """

    priors: Priors = field(default_factory=Priors)
    slips: Slips = field(default_factory=Slips)
    record: RecordBeliefs = field(default_factory=RecordBeliefs)
    resistance_low_ohm: float = 0.05
    resistance_high_ohm: float = 60.0
    resistance_soft_ohm: float = 4.0
    coil_median_ohm: float = 110.0
    coil_log_spread: float = 0.40
    coil_x_over_r: tuple[float, ...] = (1.5, 2.2, 3.0)
    scale_spread: float = 0.015
    drift_per_hour: float = 0.02
    draw_log_spread: float = 0.35
    draw_spread: float = 0.30
    off_share: float = 0.15
    overload_log_mean: float = 0.6
    overload_log_spread: float = 0.4
    trip_spread: float = 0.05
    misread_message: float = 0.01

    def __post_init__(self) -> None:
        if not 0.0 < self.resistance_low_ohm < self.resistance_high_ohm:
            raise ValueError("expected 0 < resistance_low_ohm < resistance_high_ohm")
        if not 0.0 <= self.off_share < 1.0:
            raise ValueError("expected 0 <= off_share < 1")

    @property
    def median_coil_ohm(self) -> complex:
        """The coil that an unknown one is most likely to be."""
        angle = math.atan(self.coil_x_over_r[len(self.coil_x_over_r) // 2])
        return self.coil_median_ohm * complex(math.cos(angle), math.sin(angle))

    def resistance_grid(self, cells: int) -> tuple[FloatArray, FloatArray]:
        """(R in ohms, prior mass) of ``cells`` cells of the log-uniform prior on R_f.

        Cells are even in log(R + soft): a dead short and half an ohm look alike, ten and twelve
        ohms do not. The mass is exact for each cell and R is its median.
        """
        soft = self.resistance_soft_ohm
        edges = (
            np.exp(
                np.linspace(
                    math.log(self.resistance_low_ohm + soft),
                    math.log(self.resistance_high_ohm + soft),
                    cells + 1,
                )
            )
            - soft
        )
        logs = np.log(edges)
        mass = np.diff(logs) / (logs[-1] - logs[0])
        return np.exp((logs[:-1] + logs[1:]) / 2.0), mass
