"""The likelihood of readings: against a dense Gaussian, its slips, and the scale's priors."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import multivariate_normal

from faults.tracing.assumptions import Assumptions, Slips
from faults.tracing.evidence import CurrentReading, Evidence
from faults.tracing.likelihood import (
    SILENT_MA,
    ReadingNoise,
    ScalePrior,
    fixed_scale,
    log_likelihood,
    slip_log_density,
    unknown_coil_scale,
)
from faults.tracing.prediction import edge_ratio, place_faults, solve_sound
from faults.tracing.problem import TraceProblem
from faults.tracing.reckoner import Reckoner
from faults.tracing.tree_view import build_tree_view
from sites.network.faults import Place
from tests.tracing.drives import COIL_OHM, EXACT, tree_path

FloatArray = NDArray[np.float64]

SOURCE_V, SERIES_OHM, INPUT_OHM, SPREAD = 28.0, 40.0 + 100.0j, 20.0 + 0.0j, 0.02
NOMINAL_MA = 1000.0 * SOURCE_V / abs(SERIES_OHM + INPUT_OHM)
SLIPS = Slips()
TOP_MA = 320.0


def noise_of(current_ma: FloatArray, rng: np.random.Generator) -> ReadingNoise:
    """Correlated noise of some 2 mA."""
    count = len(current_ma)
    shared = 0.02 * current_ma
    covariance = np.diag(rng.uniform(1.0, 6.0, count)) + np.outer(shared, shared)
    return ReadingNoise(
        current_ma=current_ma,
        covariance=covariance,
        slip_log=slip_log_density(current_ma, SLIPS, TOP_MA),
        sound_log=math.log(1.0 - SLIPS.any),
        top_ma=TOP_MA,
    )


def flat(many: int) -> ScalePrior:
    return fixed_scale(SOURCE_V, SERIES_OHM, np.full(many, INPUT_OHM), SPREAD)


def dense(ratios: FloatArray, noise: ReadingNoise, wrong: Sequence[int]) -> FloatArray:
    """log density with these readings slips: the others Gaussian, the scale integrated in the
    covariance."""
    keep = [k for k in range(len(ratios)) if k not in wrong]
    slips = sum(noise.slip_log[k] for k in wrong) + len(keep) * noise.sound_log
    logs = []
    for t in ratios.T:
        if not keep:
            logs.append(slips)
            continue
        inner = noise.covariance[np.ix_(keep, keep)]
        inner = inner + (SPREAD * NOMINAL_MA) ** 2 * np.outer(t[keep], t[keep])
        mean = NOMINAL_MA * t[keep]
        logs.append(slips + multivariate_normal.logpdf(noise.current_ma[keep], mean, inner))
    return np.array(logs)


def drawn(seed: int, count: int, many: int = 6) -> tuple[FloatArray, ReadingNoise]:
    """Ratios of ``many`` hypotheses and readings that the first one made, one of them wrong in
    every other draw."""
    rng = np.random.default_rng(seed)
    ratios = rng.uniform(0.05, 1.0, (count, many))
    current = NOMINAL_MA * ratios[:, 0] + rng.normal(0.0, 2.0, count)
    if seed % 2:
        current[rng.integers(count)] = rng.uniform(0.0, 200.0)
    return ratios, noise_of(np.abs(current), rng)


@given(st.integers(0, 10_000), st.integers(1, 7))
@settings(max_examples=15)
def test_none_or_one_slip_is_the_sum_over_which_reading_it_was(seed: int, count: int) -> None:
    ratios, noise = drawn(seed, count)
    sets: list[tuple[int, ...]] = [(), *((k,) for k in range(count))]
    expected = np.logaddexp.reduce([dense(ratios, noise, wrong) for wrong in sets])
    got = log_likelihood(ratios, noise, flat(6), doubt=math.inf)
    assert got == pytest.approx(expected, abs=1e-8)


@given(st.integers(0, 10_000), st.integers(3, 7))
@settings(max_examples=15)
def test_a_second_slip_is_summed_beside_the_likeliest_first(seed: int, count: int) -> None:
    ratios, noise = drawn(seed, count)
    assert (noise.current_ma < SILENT_MA).sum() < 2
    got = log_likelihood(ratios, noise, flat(6), doubt=-math.inf)
    assert got == pytest.approx(beside_firsts(ratios, noise, lambda _h, j: {j}), abs=1e-8)


@given(st.integers(0, 10_000), st.integers(4, 7))
@settings(max_examples=15)
def test_a_second_slip_is_summed_beside_the_zero_with_most_against_it_too(
    seed: int, count: int
) -> None:
    ratios, noise = drawn(seed, count)
    zeros = [int(z) for z in np.random.default_rng(seed).choice(count, 2, replace=False)]
    noise.current_ma[zeros] = 0.4

    def firsts(hypothesis: int, likeliest: int) -> set[int]:
        silent = [j for j in range(count) if noise.current_ma[j] < SILENT_MA]
        if likeliest in silent:
            return {likeliest}
        return {likeliest, max(silent, key=lambda j: ratios[j, hypothesis])}

    got = log_likelihood(ratios, noise, flat(6), doubt=-math.inf)
    assert got == pytest.approx(beside_firsts(ratios, noise, firsts), abs=1e-8)


def beside_firsts(
    ratios: FloatArray, noise: ReadingNoise, firsts: Callable[[int, int], set[int]]
) -> FloatArray:
    """None, one, and two slips of which one is among ``firsts`` (hypothesis, likeliest slip)."""
    count, many = ratios.shape
    singles = np.stack([dense(ratios, noise, (k,)) for k in range(count)])
    sums = []
    for h in range(many):
        some = firsts(h, int(singles[:, h].argmax()))
        pairs = {frozenset((i, j)) for j in some for i in range(count) if i != j}
        logs = [dense(ratios[:, [h]], noise, tuple(pair))[0] for pair in pairs]
        none = dense(ratios[:, [h]], noise, ())[0]
        sums.append(np.logaddexp.reduce([none, *singles[:, h], *logs]))
    return np.array(sums)


def test_two_zeros_that_hide_each_other_are_both_found() -> None:
    """Both ends of one wire read with both conductors in the jaw, two wires before it read well:
    with either zero left out the other still speaks, and a good reading looks the worst."""
    noise = ReadingNoise(
        current_ma=np.array([206.0, 0.0, 202.0, 0.0]),
        covariance=np.diag([2.0, 1.5, 2.0, 1.5]),
        slip_log=slip_log_density(np.array([206.0, 0.0, 202.0, 0.0]), SLIPS, TOP_MA),
        sound_log=math.log(1.0 - SLIPS.any),
        top_ma=TOP_MA,
    )
    through = np.ones((4, 1))
    # A coil that may be nearly any.
    vague = fixed_scale(SOURCE_V, SERIES_OHM, np.full(1, INPUT_OHM), 0.5)
    both = log_likelihood(through[[0, 2]], picked(noise, [0, 2]), vague, doubt=math.inf)
    expected = both[0] + noise.slip_log[1] + noise.slip_log[3]
    assert log_likelihood(through, noise, vague)[0] == pytest.approx(expected, abs=0.2)


def picked(noise: ReadingNoise, which: list[int]) -> ReadingNoise:
    """Some of the readings."""
    return replace(
        noise,
        current_ma=noise.current_ma[which],
        covariance=noise.covariance[np.ix_(which, which)],
        slip_log=noise.slip_log[which],
    )


@given(st.integers(0, 10_000))
@settings(max_examples=12)
def test_two_slips_beside_the_likeliest_lose_little_of_all_pairs(seed: int) -> None:
    ratios, noise = drawn(seed, 5)
    got = log_likelihood(ratios, noise, flat(6))
    sets = [wrong for size in range(3) for wrong in combinations(range(5), size)]
    everything = np.logaddexp.reduce([dense(ratios, noise, wrong) for wrong in sets])
    assert (got <= everything + 1e-8).all()
    # The hypothesis that made the readings loses the least: it needs no second slip.
    assert got[0] >= everything[0] - 0.2


@given(st.integers(0, 10_000), st.integers(2, 6))
@settings(max_examples=12)
def test_leaving_a_reading_out_is_reckoning_without_it(seed: int, count: int) -> None:
    """With a reading that is certainly a slip, the others alone decide."""
    ratios, noise = drawn(2 * seed, count)
    current = noise.current_ma.copy()
    current[-1] = 1e4  # no wire carries ten amperes
    with_junk = replace(noise, current_ma=current)
    without = ReadingNoise(
        current_ma=noise.current_ma[:-1],
        covariance=noise.covariance[:-1, :-1],
        slip_log=noise.slip_log[:-1],
        sound_log=noise.sound_log,
        top_ma=noise.top_ma,
    )
    got = log_likelihood(ratios, with_junk, flat(6), doubt=math.inf)
    alone = np.array([dense(ratios[:-1], without, ())]).reshape(-1)
    assert got == pytest.approx(alone + noise.slip_log[-1], abs=1e-6)


@given(st.integers(0, 10_000), st.integers(2, 7))
@settings(max_examples=15)
def test_the_order_of_readings_is_no_matter(seed: int, count: int) -> None:
    ratios, noise = drawn(seed, count)
    order = np.random.default_rng(seed + 1).permutation(count)
    turned = ReadingNoise(
        current_ma=noise.current_ma[order],
        covariance=noise.covariance[np.ix_(order, order)],
        slip_log=noise.slip_log[order],
        sound_log=noise.sound_log,
        top_ma=noise.top_ma,
    )
    one = log_likelihood(ratios, noise, flat(6))
    assert log_likelihood(ratios[order], turned, flat(6)) == pytest.approx(one, abs=1e-8)


def test_the_shape_of_the_hypotheses_is_kept() -> None:
    ratios, noise = drawn(4, 3)
    cube = ratios.reshape(3, 1, 2, 3)
    got = log_likelihood(cube, noise, flat(6))
    assert got.shape == (1, 2, 3)
    assert got.reshape(-1) == pytest.approx(log_likelihood(ratios, noise, flat(6)))


def test_noise_that_is_no_covariance_is_refused() -> None:
    ratios, noise = drawn(4, 3)
    negative = replace(noise, covariance=-noise.covariance)
    with pytest.raises(ValueError, match="positive definite"):
        log_likelihood(ratios, negative, flat(6))


class TestSlips:
    def test_their_density_holds_the_chance_of_a_slip(self) -> None:
        current = np.linspace(0.0, TOP_MA, 200_001)
        density = np.exp(slip_log_density(current, SLIPS, TOP_MA))
        assert np.trapezoid(density, current) == pytest.approx(SLIPS.any, rel=1e-5)

    def test_a_zero_is_the_slip_of_both_conductors_in_the_jaw(self) -> None:
        zero, some = np.exp(slip_log_density(np.array([0.0, 40.0]), SLIPS, TOP_MA))
        assert some == pytest.approx(SLIPS.anything / TOP_MA)
        at_zero = SLIPS.both_conductors * 2.0 / (SLIPS.near_zero_ma * math.sqrt(2.0 * math.pi))
        assert zero == pytest.approx(at_zero + SLIPS.anything / TOP_MA)


class TestScale:
    def test_a_known_coils_scale_has_a_density_that_sums_to_one(self) -> None:
        scale = fixed_scale(SOURCE_V, SERIES_OHM, np.array([INPUT_OHM]), SPREAD)
        ma = np.linspace(0.5 * NOMINAL_MA, 1.5 * NOMINAL_MA, 20_001)
        log = [scale(np.array([x]), np.zeros(1), slice(None))[0] for x in ma]
        assert np.trapezoid(np.exp(log), ma) == pytest.approx(1.0, abs=1e-6)
        assert ma[int(np.argmax(log))] == pytest.approx(NOMINAL_MA, rel=1e-3)

    @pytest.mark.parametrize("input_ohm", [3.0 + 0j, 20.0 - 4.0j, 150.0 + 30.0j, 900.0 + 0j])
    def test_an_unknown_coils_scale_has_one_too(self, input_ohm: complex) -> None:
        ma = np.linspace(0.5, 3000.0, 300_001)
        scale = unknown_coil_scale(SOURCE_V, 0.4 + 0.1j, np.full(len(ma), input_ohm), Assumptions())
        density = np.exp(scale(ma, np.full(len(ma), 1e-12), slice(None)))
        assert np.trapezoid(density, ma) == pytest.approx(1.0, abs=2e-3)

    def test_an_unknown_coils_scale_is_that_of_drawn_coils(self) -> None:
        beliefs = Assumptions()
        rng = np.random.default_rng(8)
        size = beliefs.coil_median_ohm * np.exp(rng.normal(0, beliefs.coil_log_spread, 200_000))
        turn = np.exp(1j * np.arctan(rng.choice(beliefs.coil_x_over_r, size.size)))
        drawn_ma = 1000.0 * SOURCE_V / np.abs(0.4 + 0.1j + 20.0 + size * turn)
        ma = np.linspace(0.5, 1300.0, 130_001)
        scale = unknown_coil_scale(SOURCE_V, 0.4 + 0.1j, np.full(len(ma), 20.0 + 0j), beliefs)
        below = np.cumsum(np.exp(scale(ma, np.full(len(ma), 1e-12), slice(None)))) * (ma[1] - ma[0])
        for share in (0.05, 0.25, 0.5, 0.75, 0.95):
            at = float(np.quantile(drawn_ma, share))
            # 200,000 draws: a share is known to 0.0011 (one standard error at one half).
            assert np.interp(at, ma, below) == pytest.approx(share, abs=0.006)


PATH = tree_path()


def readings_of(where: Place, resistance_ohm: float) -> tuple[Reckoner, list[CurrentReading]]:
    """A reckoner and what every wire reads exactly with a short there."""
    problem = TraceProblem(path=PATH, coil_ohm=COIL_OHM, meter=EXACT)
    view = build_tree_view(PATH)
    reckoner = Reckoner(problem, view)
    point = {place: i for i, place in enumerate(view.place_of_point)}[where]
    faults = place_faults(
        solve_sound(view, np.ones(1)), np.array([point]), np.array([resistance_ohm])
    )
    series = PATH.source_ohm + COIL_OHM
    scale = 1000.0 * PATH.source_v / abs(series + faults.input_ohm[0, 0, 0])
    readings = [CurrentReading("reference", "N0", "", scale, 10.0)]
    for (node, wire), edge in view.edge_of_wire.items():
        ma = float(edge_ratio(faults, edge)[0, 0, 0]) * scale
        readings.append(CurrentReading("segment", node, wire, ma, 10.0))
    return reckoner, readings


@pytest.mark.parametrize("where", ["N3", "N5", "N6", "N7"])
def test_readings_of_the_right_place_raise_its_chance(where: str) -> None:
    place = Place("splice", where)
    reckoner, readings = readings_of(place, 3.0)
    home = {(place.id, reckoner.view.upstream_segment[where])}
    posterior = reckoner.reckon(Evidence((readings[0],)))
    before = posterior.chance_of(place)
    assert before > 0.01
    near = next(r for r in readings if (r.node, r.wire) in home)
    posterior = reckoner.reckon(Evidence((readings[0], near)), posterior)
    assert posterior.chance_of(place) > 1.5 * before
    posterior = reckoner.reckon(Evidence(tuple(readings)))
    row = posterior.rows.row_of[posterior.hypotheses.index[place]]
    assert posterior.row_chance.argmax() == row
    assert posterior.row_chance[row] > 0.9


def test_the_posterior_does_not_ask_for_the_order_of_readings() -> None:
    reckoner, readings = readings_of(Place("splice", "N6"), 3.0)
    some = [readings[k] for k in (0, 3, 5, 8)]
    one = reckoner.reckon(Evidence(tuple(some)))
    other = reckoner.reckon(Evidence(tuple(some[::-1])))
    assert other.chance == pytest.approx(one.chance, abs=1e-9)
