"""What must not change a result: the order of things, the unit of time, a record cut in two."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faults.recurrence.cumulative import cumulative_mean
from faults.recurrence.exposed import exposed_units
from faults.recurrence.exposure import EnergisedClock, Spans
from faults.recurrence.flags import adjusted_p_values, flag_units, upper_tail
from faults.recurrence.history import SEGMENT, SPLICE, Failure, History, Place
from faults.recurrence.lifetimes import fit_weibull
from faults.recurrence.lineage import Became
from faults.recurrence.peers import fit_peers
from faults.recurrence.poisson_limits import garwood_limits, rate_limits
from faults.recurrence.power_law import fit_power_laws
from faults.recurrence.rates import shrunk_rates
from faults.recurrence.scan import ScanParams, scan_path
from faults.recurrence.stretches import connected_stretches
from faults.recurrence.trend import FailureTimes, trend_tests

seeds = st.integers(0, 2**32 - 1)


def drawn_units(seed: int, count: int = 30) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    exposure = rng.uniform(0.5, 20.0, count)
    return rng.poisson(rng.gamma(1.5, 0.2, count) * exposure), exposure


def drawn_failures(seed: int, units: int = 8) -> FailureTimes:
    rng = np.random.default_rng(seed)
    end = rng.uniform(10.0, 30.0, units)
    unit = rng.integers(0, units, 40)
    return FailureTimes.of(unit, end[unit] * (1.0 - rng.random(40)), end)


@pytest.mark.slow
@given(seeds)
def test_the_order_of_units_changes_nothing(seed: int) -> None:
    counts, exposure = drawn_units(seed)
    group = np.arange(len(counts)) % 2
    order = np.random.default_rng(seed).permutation(len(counts))
    straight = flag_units(counts, exposure, group)
    mixed = flag_units(counts[order], exposure[order], group[order])
    assert mixed.p_value == pytest.approx(straight.p_value[order], rel=1e-9)
    assert mixed.flagged.tolist() == straight.flagged[order].tolist()


@given(seeds)
def test_the_order_of_failures_changes_nothing(seed: int) -> None:
    failures = drawn_failures(seed)
    order = np.random.default_rng(seed).permutation(len(failures.at))
    mixed = replace(failures, unit=failures.unit[order], at=failures.at[order])
    one, other = trend_tests(failures), trend_tests(mixed)
    assert other.laplace == pytest.approx(one.laplace, rel=1e-9, abs=1e-12, nan_ok=True)
    assert other.chi_square == pytest.approx(one.chi_square, rel=1e-9, nan_ok=True)
    mcf, again = cumulative_mean(failures), cumulative_mean(mixed)
    assert again.mean == pytest.approx(mcf.mean)
    assert again.variance == pytest.approx(mcf.variance, rel=1e-9, abs=1e-12)


@pytest.mark.slow
@given(seeds, st.sampled_from([24.0, 1.0 / 365.25, 1e-3]))
def test_the_unit_of_time_scales_rates_and_changes_no_chance(seed: int, factor: float) -> None:
    counts, exposure = drawn_units(seed)
    group = np.zeros(len(counts), dtype=int)
    one, other = flag_units(counts, exposure, group), flag_units(counts, factor * exposure, group)
    assert other.p_value == pytest.approx(one.p_value, rel=1e-6)
    peers, scaled = fit_peers(counts, exposure), fit_peers(counts, factor * exposure)
    assert scaled.dispersion == pytest.approx(peers.dispersion, rel=1e-6, abs=1e-9)
    assert scaled.mean * factor == pytest.approx(peers.mean, rel=1e-7)
    rates, again = (
        shrunk_rates(counts, exposure, peers),
        shrunk_rates(counts, factor * exposure, scaled),
    )
    assert again.limits.high * factor == pytest.approx(rates.limits.high, rel=1e-6)
    assert again.shrinkage == pytest.approx(rates.shrinkage, rel=1e-6)
    failures = drawn_failures(seed)
    slower = FailureTimes.of(failures.unit, factor * failures.at, factor * failures.end)
    tests, scaled_tests = trend_tests(failures), trend_tests(slower)
    assert scaled_tests.laplace == pytest.approx(tests.laplace, rel=1e-9, abs=1e-12, nan_ok=True)
    laws, scaled_laws = fit_power_laws(failures), fit_power_laws(slower)
    assert scaled_laws.beta == pytest.approx(laws.beta, rel=1e-9, nan_ok=True)
    mcf, scaled_mcf = cumulative_mean(failures), cumulative_mean(slower)
    assert scaled_mcf.mean == pytest.approx(mcf.mean)
    assert scaled_mcf.high == pytest.approx(mcf.high, rel=1e-9)
    life = np.random.default_rng(seed).weibull(1.4, 20)
    weibull, scaled_weibull = (fit_weibull(by * life, np.ones(20, bool)) for by in (1.0, factor))
    assert scaled_weibull.shape == pytest.approx(weibull.shape, rel=1e-8)
    assert scaled_weibull.scale == pytest.approx(factor * weibull.scale, rel=1e-8)


@pytest.mark.parametrize(("end", "rate"), [(1e-3, np.inf), (1e3, 0.0)])
def test_a_shape_past_all_digits_keeps_its_place_in_any_unit_of_time(
    end: float, rate: float
) -> None:
    """Two failures a thousandth before the end: β some 2,000, λ past what a float holds."""
    failures = FailureTimes.of([0, 0], [0.999 * end, 0.9995 * end], [end])
    laws = fit_power_laws(failures)
    assert laws.beta[0] == pytest.approx(2.0 / -np.log(0.999 * 0.9995), rel=1e-9)
    assert laws.lam[0] == rate


@settings(max_examples=30)
@given(seeds, st.floats(0.1, 0.9), st.booleans())
def test_a_unit_cut_in_two_records_is_the_same_unit(seed: int, share: float, told: bool) -> None:
    """A segment that the map renames half-way, or cuts in two while nobody knows where along it
    the failures were, has the exposure, clock and failures of one that was left alone."""
    rng = np.random.default_rng(seed)
    off = Spans.of([(100.0, 180.0), (400.0, 520.0)])
    at = np.sort(rng.uniform(1.0, 999.0, 6))
    at = at[~off.hold(at)]
    plain = Place("S", SEGMENT, 80.0, (0.0, 1000.0), off, "segment")
    other = Place("N", SPLICE, 1.0, (0.0, 1000.0), off, "splice")
    whole = History((plain, other), tuple(Failure(0, float(t)) for t in at))
    before = replace(plain, watched=(0.0, 300.0))
    if told:
        after = [replace(plain, name="S2", watched=(300.0, 1000.0))]
        became = Became(0, (2,), (1.0,))
    else:
        after = [
            replace(plain, name=name, amount=80.0 * part, watched=(300.0, 1000.0))
            for name, part in (("S2", share), ("S3", 1.0 - share))
        ]
        became = Became(0, (2, 3), (share, 1.0 - share))
    later = [2 + int(rng.integers(len(after))) for _ in at]
    failures = tuple(
        Failure(0 if t <= 300.0 else place, float(t)) for t, place in zip(at, later, strict=True)
    )
    # One failure of unknown whereabouts before the cut keeps the parts together.
    if not told and not any(failure.place == 0 for failure in failures):
        return
    cut = History((before, other, *after), failures, became=(became,))
    one, two = exposed_units(whole), exposed_units(cut)
    assert two.counts[np.argmax(two.exposure)] == one.counts[np.argmax(one.exposure)]
    assert sorted(two.exposure) == pytest.approx(sorted(one.exposure), rel=1e-9)
    assert np.sort(two.failures.at) == pytest.approx(np.sort(one.failures.at))
    assert max(clock.total for clock in two.clocks) == pytest.approx(800.0)


@given(seeds, st.floats(0.1, 0.9))
def test_splitting_a_segment_shares_out_its_exposure_and_failures(seed: int, share: float) -> None:
    """Each part gets its length's exposure and the failures along it; the total's rate and limits
    are those of the segment that was left whole."""
    rng = np.random.default_rng(seed)
    at, along = np.sort(rng.uniform(1.0, 500.0, 7)), rng.uniform(0.0, 1.0, 7)
    failures = tuple(
        Failure(0, float(t), float(f)) for t, f in zip(at, along, strict=True) if f != share
    )
    never = Spans.of([])
    plain = Place("S", SEGMENT, 60.0, (0.0, 1000.0), never, "segment")
    one = exposed_units(History((plain,), failures))
    parts = [
        replace(plain, name=name, amount=60.0 * part, watched=(500.0, 1000.0))
        for name, part in (("S1", share), ("S2", 1.0 - share))
    ]
    before = replace(plain, watched=(0.0, 500.0))
    became = (Became(0, (1, 2), (share, 1.0 - share)),)
    two = exposed_units(History((before, *parts), failures, became=became))
    assert two.exposure == pytest.approx([60e3 * share, 60e3 * (1.0 - share)])
    low = sum(failure.fraction < share for failure in failures if failure.fraction is not None)
    assert two.counts.tolist() == [low, len(failures) - low]
    whole = rate_limits(one.counts, one.exposure)
    pieces = rate_limits([two.counts.sum()], [two.exposure.sum()])
    assert (pieces.low, pieces.high) == (
        pytest.approx(whole.low, rel=1e-9),
        pytest.approx(whole.high, rel=1e-9),
    )


@given(seeds)
def test_the_numbering_of_cells_changes_no_stretch(seed: int) -> None:
    rng = np.random.default_rng(seed)
    cells = int(rng.integers(4, 14))
    links = np.array([(int(rng.integers(0, cell)), cell) for cell in range(1, cells)])
    counts, expected = rng.poisson(1.0, cells), rng.uniform(0.5, 2.0, cells)
    order = rng.permutation(cells)
    place = np.argsort(order)
    params = ScanParams(draws=1)
    one = scan_path(counts, expected, connected_stretches(cells, links), params, rng)
    mixed = scan_path(
        counts[order],
        expected[order],
        connected_stretches(cells, place[links]),
        params,
        rng,
    )
    assert mixed.log_ratio == pytest.approx(one.log_ratio, abs=1e-9)
    assert mixed.failures == one.failures


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=40))
def test_adjusted_p_values_keep_order_and_are_no_smaller(p_values: list[float]) -> None:
    p = np.array(p_values)
    adjusted = adjusted_p_values(p)
    assert np.all(adjusted >= p - 1e-15)
    assert np.all(adjusted <= 1.0)
    order = np.argsort(p, kind="stable")
    assert np.all(np.diff(adjusted[order]) >= -1e-15)


@given(st.integers(0, 400), st.floats(0.5, 0.999))
def test_limits_hold_their_count_and_widen_with_the_level(count: int, level: float) -> None:
    wide, narrow = garwood_limits([count], level), garwood_limits([count], level - 0.2)
    assert wide.low[0] <= narrow.low[0] <= count <= narrow.high[0] <= wide.high[0]


@given(st.integers(1, 60), st.floats(0.05, 40.0), st.floats(0.0, 5.0))
def test_tails_fall_with_the_count_and_rise_with_what_is_expected(
    count: int, expected: float, dispersion: float
) -> None:
    counts, mean = np.array([count, count + 1]), np.array([expected, expected])
    one, more = upper_tail(counts, mean, dispersion)
    assert more <= one
    assert upper_tail(counts, 1.1 * mean, dispersion)[0] >= one


@given(seeds)
def test_a_clock_goes_forward_and_back_again(seed: int) -> None:
    rng = np.random.default_rng(seed)
    edges = np.sort(rng.uniform(0.0, 100.0, 8)).reshape(-1, 2)
    clock = EnergisedClock.of((0.0, 100.0), Spans.of(edges))
    assert clock.total == pytest.approx(100.0 - np.sum(edges[:, 1] - edges[:, 0]))
    readings = clock.at(np.linspace(-5.0, 105.0, 200))
    assert np.all(np.diff(readings) >= 0.0)
    reading = float(rng.uniform(0.0, clock.total))
    assert clock.at([clock.when(reading)])[0] == pytest.approx(reading, abs=1e-9)
    start = rng.uniform(0.0, 50.0, 3)
    wet, storm = Spans.of(np.column_stack([start, start + 20.0])), Spans.of([(30.0, 31.0)])
    assert sum(clock.by_state(wet, storm)) == pytest.approx(clock.total)
