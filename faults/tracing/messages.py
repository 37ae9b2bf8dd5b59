"""How likely the controller is to show its overcurrent message, coil out.

The trip is fuzzy: shown with chance Phi((I / trip - 1) / spread), held away from 0 and 1 by how
often a look is misread.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from faults.tracing.assumptions import Assumptions
from faults.tracing.prediction import FaultSet
from faults.tracing.problem import TraceProblem

FloatArray = NDArray[np.float64]

REPORT_FLOOR = 0.05
"""Chance that a fault was reported though its current lies below the trip (it may have been
worse then, or wetter)."""


def full_current_ma(faults: FaultSet, problem: TraceProblem) -> FloatArray:
    """Current out of the controller without the coil (K, R, S)."""
    total = faults.total
    source = problem.path.source_ohm
    return np.asarray(1000.0 * problem.path.source_v * np.abs(total / (1.0 + source * total)))


def shown_chance(
    current_ma: FloatArray, problem: TraceProblem, beliefs: Assumptions
) -> FloatArray:
    """Chance that the message shows at a current."""
    spread = max(problem.path.trip_spread, beliefs.trip_spread)
    raw = ndtr((current_ma / problem.path.trip_ma - 1.0) / spread)
    return np.asarray(np.clip(raw, beliefs.misread_message, 1.0 - beliefs.misread_message))


def look_log_chance(
    shown: bool, current_ma: FloatArray, problem: TraceProblem, beliefs: Assumptions
) -> FloatArray:
    """log chance of what a look showed, at a current."""
    chance = shown_chance(current_ma, problem, beliefs)
    return np.asarray(np.log(chance if shown else 1.0 - chance))


def report_log_chance(
    current_ma: FloatArray, problem: TraceProblem, beliefs: Assumptions
) -> FloatArray:
    """log chance that the fault was reported as overcurrent at all, before the trace began."""
    chance = shown_chance(current_ma, problem, beliefs)
    return np.asarray(np.log(REPORT_FLOOR + (1.0 - REPORT_FLOOR) * chance))
