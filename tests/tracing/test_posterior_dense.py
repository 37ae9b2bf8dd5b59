"""The exact posterior against an independent dense solver, written from the equations alone.

The dense solver has its own nodal circuit, tables, covariance and quadrature (panels in log R,
halved until they agree). The benchmark ``posterior-dense`` runs all two hundred cases with the
coil known, ``posterior`` the twenty with it unknown.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from faults.tracing.exact import Quadrature
from tests.tracing.dense_cases import dense_case
from tests.tracing.dense_comparison import (
    ALMOST_NO_FLOOR,
    BILLIONTH,
    FINER,
    apart_by,
    dense_and_exact_differ_by,
    exact,
    with_floor,
)
from tests.tracing.dense_network import DenseNetwork
from tests.tracing.dense_posterior import Nodes, dense_posterior
from tests.tracing.dense_readings import gaussian
from tests.tracing.dense_sampling import sampled_within

ROUGH_DENSE = Nodes(scale_panels=10, tolerance=1e-8, floor=1e-10)
UNKNOWN_COIL = Quadrature(resistances=64, scales=32, sound_scales=100, coils=281)
STANDARD_ERROR = 2.5e-4


@pytest.mark.parametrize("index", [0, 15, 52])
def test_exact_and_dense_agree_to_a_billionth(index: int) -> None:
    assert dense_and_exact_differ_by(index) < BILLIONTH


@pytest.mark.slow
@pytest.mark.parametrize("index", range(0, 200, 12))
def test_exact_and_dense_agree_on_a_sample_of_two_hundred_cases(index: int) -> None:
    assert dense_and_exact_differ_by(index) < BILLIONTH


@pytest.mark.slow
@pytest.mark.parametrize("index", [20])
def test_with_the_floor_of_a_misread_look_they_agree_as_far_as_its_kink_lets_them(
    index: int,
) -> None:
    case = with_floor(index, 0.01)
    dense = dense_posterior(case.survey, case.observed, case.known)
    assert sum(dense.values()) == pytest.approx(1.0)
    assert apart_by(dense, exact(case, replace(FINER[1], resistances=320))) < 5e-6


def test_cases_hold_all_kinds_of_readings_and_places() -> None:
    cases = [dense_case(index) for index in range(200)]
    kinds = {row["kind"] for case in cases for row in case.observed.readings}
    assert kinds == {"reference", "segment", "lead", "unmapped"}
    assert {len(case.observed.readings) for case in cases} == set(range(7))
    assert {len(case.survey["devices"]) for case in cases} == set(range(2, 9))
    assert {case.truth[0] for case in cases} == {"device", "splice", "segment", "unmapped", "none"}
    looks = {(k["shown"], k["legs_on"] is None) for case in cases for k in case.observed.looks}
    assert looks == {(True, True), (False, True), (False, False)}
    assert any(case.observed.counts for case in cases)
    assert any(case.observed.no_stray for case in cases)


@pytest.mark.slow
@pytest.mark.parametrize("index", [20])
def test_the_dense_solver_has_converged(index: int) -> None:
    case = with_floor(index, ALMOST_NO_FLOOR)
    finer = Nodes(of_panel=15, first_panels=9, scale_panels=43, sound_panels=95, tolerance=1e-13)
    once = dense_posterior(case.survey, case.observed, case.known)
    assert apart_by(once, dense_posterior(case.survey, case.observed, case.known, finer)) < 1e-11


@pytest.mark.parametrize("index", [2, 11])
def test_a_short_of_the_dense_network_is_one_more_branch_of_its_matrix(index: int) -> None:
    network = DenseNetwork(dense_case(index).survey)
    scales = np.array([0.0, 1.3])
    ohm = np.array([0.05, 7.0])
    inverses = network.inverses(scales)
    for at in range(1, len(network.number)):
        seen = network.shorted(at, ohm, scales, inverses)
        for cell, (r, s) in enumerate((r, s) for r in ohm for s in range(2)):
            matrix = network.admittances(scales)[s]
            matrix[at, at] += 1.0 / r
            volts = np.linalg.solve(matrix[1:, 1:], -matrix[1:, 0])
            into = matrix[0, 0] + matrix[0, 1:] @ volts
            np.testing.assert_allclose(seen.volts[1:, cell], volts, rtol=1e-9, atol=1e-12)
            np.testing.assert_allclose(seen.total[cell], into, rtol=1e-9)
            np.testing.assert_allclose(seen.short[cell], volts[at - 1] / r, rtol=1e-9)


def test_the_dense_solvers_gaussian_is_the_textbooks() -> None:
    rng = np.random.default_rng(5)
    half = rng.normal(size=(5, 5))
    matrix, off = half @ half.T + np.eye(5), rng.normal(size=5)
    square = off @ np.linalg.solve(matrix, off)
    density = np.exp(-0.5 * square) / np.sqrt(np.linalg.det(2.0 * np.pi * matrix))
    assert gaussian(matrix[:, :, None], off[:, None])[0] == pytest.approx(density, rel=1e-12)


# -- coil unknown ----------------------------------------------------------------------------


def sampling_agrees(index: int, quadrature: Quadrature) -> None:
    """Exact and dense within 1e-3 of sampling, whose own standard error is a quarter of it."""
    case = dense_case(index, coil_known=False)
    sampled = sampled_within(case.survey, case.observed, case.known, STANDARD_ERROR, index)
    dense = dense_posterior(case.survey, case.observed, case.known, ROUGH_DENSE)
    assert max(sampled.error.values()) < STANDARD_ERROR
    assert apart_by(dense, sampled.chance) < 1e-3
    ours = exact(case, quadrature)
    assert apart_by(ours, sampled.chance) < 1e-3
    # Some 1e-4 is what the kink of a look leaves of so few nodes in R.
    assert apart_by(ours, dense) < 3e-4


@pytest.mark.slow
@pytest.mark.parametrize("index", [31])
def test_an_unknown_coil_agrees_with_sampling(index: int) -> None:
    sampling_agrees(index, replace(UNKNOWN_COIL, resistances=32, scales=25))
