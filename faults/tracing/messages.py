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
from faults.tracing.quadrature import hermite_rule

FloatArray = NDArray[np.float64]

SET_SPREAD = 0.06
"""How far the trip's setting, or the current as reckoned, may be off (common practice, no
source)."""

REPORT_FLOOR = 0.05
"""Chance that a fault was reported though its current lies below the trip (it may have been
worse then, or wetter)."""


def full_current_ma(faults: FaultSet, problem: TraceProblem) -> FloatArray:
    """Current out of the controller without the coil (K, R, S)."""
    total = faults.total
    source = problem.path.source_ohm
    return np.asarray(1000.0 * problem.path.source_v * np.abs(total / (1.0 + source * total)))


def shown_chance(current_ma: FloatArray, problem: TraceProblem, beliefs: Assumptions) -> FloatArray:
    """Chance that the message shows at a current."""
    spread = max(problem.path.trip_spread, beliefs.trip_spread)
    raw = ndtr((current_ma / problem.path.trip_ma - 1.0) / spread)
    return np.asarray(np.clip(raw, beliefs.misread_message, 1.0 - beliefs.misread_message))


def looks_log_chance(
    shown: int, not_shown: int, current_ma: FloatArray, problem: TraceProblem, beliefs: Assumptions
) -> FloatArray:
    """log chance of several looks at one current.

    What is off in the trip's setting, or in the current as reckoned, is the same at every look:
    it is integrated out over five Gauss-Hermite nodes.
    """
    if shown + not_shown == 0:
        return np.zeros_like(current_ma)
    x, w = hermite_rule(5)
    total = np.zeros_like(current_ma)
    for off, weight in zip(x, w, strict=True):
        chance = shown_chance(current_ma * (1.0 + SET_SPREAD * off), problem, beliefs)
        total += weight * chance**shown * (1.0 - chance) ** not_shown
    return np.asarray(np.log(total))


def overload_log_chance(
    current_ma: FloatArray, problem: TraceProblem, beliefs: Assumptions
) -> FloatArray:
    """log chance that a sound path of this current trips at all: what makes it an overload."""
    spread = np.hypot(max(problem.path.trip_spread, beliefs.trip_spread), SET_SPREAD)
    return np.asarray(np.log(ndtr((current_ma / problem.path.trip_ma - 1.0) / spread) + 1e-12))


def report_log_chance(
    current_ma: FloatArray, problem: TraceProblem, beliefs: Assumptions
) -> FloatArray:
    """log chance that the fault was reported as overcurrent at all, before the trace began."""
    chance = shown_chance(current_ma, problem, beliefs)
    return np.asarray(np.log(REPORT_FLOOR + (1.0 - REPORT_FLOOR) * chance))
