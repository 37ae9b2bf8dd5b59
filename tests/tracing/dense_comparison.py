"""How far the engine's exact posterior and the dense one are apart, for tests and benchmark.

A look's chance is held between 0.01 and 0.99, which puts a kink into the integrand over R_f, and
no Gauss rule gets below some 1e-6 across one: where a billionth is asked for, the looks are
taken (almost) without that floor.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from faults.tracing.exact import Quadrature, exact_posterior
from tests.tracing.dense_bridge import chances_by_place, engine_of
from tests.tracing.dense_cases import DenseCase, dense_case
from tests.tracing.dense_posterior import Place, dense_posterior

BILLIONTH = 1e-9
ALMOST_NO_FLOOR = 1e-12
FINER = (
    Quadrature(resistances=96, scales=50, sound_scales=90),
    Quadrature(resistances=160, scales=100, sound_scales=160),
    Quadrature(resistances=240, scales=200, sound_scales=300),
    Quadrature(resistances=320, scales=320, sound_scales=480),
)
"""Node counts of the exact posterior, raised until it agrees; most cases need the first."""


def with_floor(index: int, floor: float) -> DenseCase:
    """A case of the coil known, its looks misread this often."""
    case = dense_case(index, coil_known=True)
    return replace(case, known=replace(case.known, misread=floor))


def exact(case: DenseCase, quadrature: Quadrature) -> dict[Place, float]:
    """The engine's exact chances."""
    reckoner, evidence = engine_of(case)
    found = exact_posterior(reckoner, evidence, quadrature)
    return chances_by_place(reckoner, found.chance, found.apart)


def apart_by(one: Mapping[Place, float], other: Mapping[Place, float]) -> float:
    """The largest difference of a chance. Raises ValueError where places differ."""
    if set(one) != set(other):
        raise ValueError(f"not the same places: {sorted(set(one) ^ set(other))}")
    return max(abs(one[place] - other[place]) for place in one)


def dense_and_exact_differ_by(index: int) -> float:
    """With the node counts of the exact one raised until that is below a billionth, or at most."""
    case = with_floor(index, ALMOST_NO_FLOOR)
    dense = dense_posterior(case.survey, case.observed, case.known)
    difference = 1.0
    for quadrature in FINER:
        difference = apart_by(dense, exact(case, quadrature))
        if difference < BILLIONTH:
            break
    return difference
