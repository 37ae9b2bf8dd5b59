"""The exact posterior against an independent dense solver, written from the equations alone.

The dense solver has its own nodal circuit, tables, covariance and quadrature (panels in log R,
halved until they agree). A look's chance is held between 0.01 and 0.99, which puts a kink into
the integrand over R_f, and no Gauss rule gets below some 1e-6 across one; so the looks are taken
without that floor here, where both rules converge.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from faults.tracing.exact import Quadrature, exact_posterior
from tests.tracing.dense_bridge import chances_by_place, engine_of
from tests.tracing.dense_cases import dense_case
from tests.tracing.dense_posterior import dense_posterior

NO_FLOOR = 1e-300
FINE = Quadrature(resistances=320, scales=32, sound_scales=96)


def differs_by(index: int) -> float:
    case = dense_case(index, coil_known=True)
    case = replace(case, known=replace(case.known, misread=NO_FLOOR))
    dense = dense_posterior(case.survey, case.observed, case.known)
    reckoner, evidence = engine_of(case)
    exact = exact_posterior(reckoner, evidence, FINE)
    ours = chances_by_place(reckoner, exact.chance, exact.apart)
    assert set(ours) == set(dense)
    assert sum(dense.values()) == pytest.approx(1.0)
    return max(abs(ours[place] - chance) for place, chance in dense.items())


@pytest.mark.parametrize("index", [0, 2, 4])
def test_exact_and_dense_agree_to_a_billionth(index: int) -> None:
    assert differs_by(index) < 1e-9


@pytest.mark.slow
@pytest.mark.parametrize("index", range(6, 26))
def test_exact_and_dense_agree_on_more_cases(index: int) -> None:
    assert differs_by(index) < 1e-9
