"""Flags, the scan, call-backs, funnels, looks and renewal: by hand and against plain sums."""

from __future__ import annotations

from itertools import pairwise, product

import numpy as np
import pytest
import scipy.stats

from faults.recurrence.callbacks import call_backs, chance_of_failure
from faults.recurrence.checked import RecurrenceError, TooFewFailures
from faults.recurrence.cumulative import cumulative_mean, stacked
from faults.recurrence.flags import LARGE_GROUP, FlagParams, flag_units, peer_p_values
from faults.recurrence.funnel import ratio_funnel, share_funnel
from faults.recurrence.inspections import (
    exposure_to_chance,
    power_law_to_chance,
    predicted_chance,
)
from faults.recurrence.peers import PeerRates, fit_peers
from faults.recurrence.poisson_limits import rate_limits
from faults.recurrence.power_law import expected_failures, mean_time_at_end
from faults.recurrence.rates import rates_by_level, shrunk_rates
from faults.recurrence.renewal import Costs, WornUnit, minimal_repair_age, repair_or_renew
from faults.recurrence.scan import ScanParams, log_likelihood_ratio, scan_path
from faults.recurrence.stretches import StretchParams, connected_stretches
from faults.recurrence.trend import FailureTimes, trend_tests


def test_peers_that_vary_no_more_than_chance_have_one_rate() -> None:
    peers = fit_peers([2, 2, 2, 2], [1.0, 1.0, 1.0, 1.0])
    assert (peers.mean, peers.dispersion, peers.shape) == (2.0, 0.0, np.inf)
    rates = shrunk_rates([2, 2, 2, 2], np.ones(4), peers)
    assert rates.shrinkage.tolist() == [1.0] * 4
    assert rates.mean.tolist() == [2.0] * 4


def test_peers_without_any_failure() -> None:
    assert fit_peers([0, 0], [1.0, 2.0]).mean == 0.0
    p, _ = peer_p_values(np.array([0, 0, 0]), np.ones(3))
    assert p.tolist() == [1.0] * 3
    flags = flag_units([0, 0], [1.0, 1.0], [0, 0])
    assert not flags.flagged.any()


@pytest.mark.parametrize(
    ("counts", "exposure", "told"),
    [
        ([1.5], [1.0], "counts: expected whole numbers"),
        ([1], [-1.0], "exposure: expected finite numbers of at least 0"),
        ([1], [0.0], "a unit that failed was exposed"),
        ([0], [0.0], "a group needs some"),
        ([1, 2], [1.0], "arrays of one length, not counts 2, exposure 1"),
    ],
)
def test_bad_data_is_refused(counts: list[float], exposure: list[float], told: str) -> None:
    with pytest.raises(RecurrenceError, match=told):
        fit_peers(counts, exposure)


def test_a_unit_far_beyond_its_peers_is_flagged_and_hides_no_other() -> None:
    """Two bad ones among forty: with both in the peers' fit each would excuse the other."""
    counts = np.array([1, 2, 3, 2] * 10 + [14, 40])
    flags = flag_units(counts, np.ones(42), np.zeros(42, dtype=int))
    assert np.flatnonzero(flags.flagged).tolist() == [40, 41]
    assert flags.rounds > 1
    once = flag_units(counts, np.ones(42), np.zeros(42, dtype=int), FlagParams(refit=False))
    assert once.p_value[40] > flags.p_value[40]


def test_a_unit_alone_or_without_exposure_is_never_flagged() -> None:
    flags = flag_units([50, 0, 1, 1], [1.0, 0.0, 1.0, 1.0], [0, 1, 1, 1])
    assert flags.p_value[:2].tolist() == [1.0, 1.0]


def test_the_large_groups_short_way_is_the_small_ones_limit() -> None:
    rng = np.random.default_rng(3)
    exposure = rng.choice([1.0, 2.0, 3.0], LARGE_GROUP + 1)
    counts = rng.poisson(rng.gamma(2.0, 0.5, LARGE_GROUP + 1) * exposure)
    short, _ = peer_p_values(counts, exposure)
    whole, _ = peer_p_values(counts[:-1], exposure[:-1])
    common = whole > 1e-4
    assert whole[common] == pytest.approx(short[:-1][common], rel=0.02)


def test_levels_nest_and_shrink() -> None:
    """Property 1 fails at thrice the rate of property 0; within them splices are alike."""
    rng = np.random.default_rng(4)
    place = np.repeat([0, 1], 60)
    exposure = np.full(120, 10.0)
    counts = rng.poisson(np.where(place == 1, 0.6, 0.2) * exposure)
    top, units = rates_by_level(counts, exposure, [place, np.arange(120)])
    raw = np.bincount(place, weights=counts) / counts.sum() * 2.0
    assert top.raw_ratio == pytest.approx(raw)
    drawn = top.shrinkage < 1.0
    assert drawn.all()
    assert abs(top.ratio[1] - 1.0) < abs(top.raw_ratio[1] - 1.0)
    assert units.units.mean[place == 1].mean() > 2.0 * units.units.mean[place == 0].mean()
    with pytest.raises(RecurrenceError, match="at least one level"):
        rates_by_level([1], [1.0], [])


def test_rates_without_exposure_may_be_anything() -> None:
    limits = rate_limits([0, 3], [0.0, 2.0])
    assert (limits.low[0], limits.high[0]) == (0.0, np.inf)
    assert limits.low[1] == pytest.approx(0.61867212 / 2.0, abs=1e-7)


def brute_stretches(cells: int, links: list[tuple[int, int]], most: int) -> set[tuple[int, ...]]:
    """Every connected set of cells of a straight path: the intervals."""
    assert links == list(pairwise(range(cells)))
    return {tuple(range(a, b + 1)) for a, b in product(range(cells), repeat=2) if 0 <= b - a < most}


def test_a_straight_paths_stretches_are_all_its_intervals() -> None:
    links = list(pairwise(range(8)))
    made = connected_stretches(8, links)
    found = [made.cells(row) for row in range(made.members.shape[0])]
    assert set(found) == brute_stretches(8, links, 4)
    assert len(found) == len(set(found))


def test_stretches_of_a_branching_path_are_connected() -> None:
    r"""2
          /
    0 - 1 - 3 - 4     the star around 1 is a surrounding, no run
    """
    links = [(0, 1), (1, 2), (1, 3), (3, 4)]
    made = connected_stretches(5, links, StretchParams(most_share=0.9))
    found = {made.cells(row) for row in range(made.members.shape[0])}
    assert (0, 1, 2, 3) in found
    assert (0, 1, 3, 4) in found
    assert (2, 4) not in found
    touching = {frozenset(link) for link in links}
    for cells in found:
        reached, todo = {cells[0]}, [cells[0]]
        while todo:
            one = todo.pop()
            near = {c for c in cells if frozenset((one, c)) in touching} - reached
            reached |= near
            todo += near
        assert reached == set(cells)
    with pytest.raises(RecurrenceError, match="numbers of cells"):
        connected_stretches(2, [(0, 5)])


def test_three_failures_on_neighbours_are_one_stretch() -> None:
    counts = np.zeros(40, dtype=int)
    counts[[3, 17, 18, 19, 20, 21, 33]] = [1, 1, 1, 2, 1, 1, 1]
    stretches = connected_stretches(40, list(pairwise(range(40))))
    rng = np.random.default_rng(8)
    found = scan_path(counts, np.ones(40), stretches, ScanParams(), rng)
    assert found.cells == (17, 18, 19, 20, 21)
    assert (found.failures, found.expected) == (6, pytest.approx(1.0))
    by_hand = log_likelihood_ratio(6, 1.0, 8)
    assert found.log_ratio == pytest.approx(float(by_hand))
    assert found.p_value < 0.02
    again = scan_path(counts, np.ones(40), stretches, ScanParams(), np.random.default_rng(8))
    assert again == found
    # Where splices differ by themselves the same cluster says less.
    wild = scan_path(counts, np.ones(40), stretches, ScanParams(dispersion=3.0), rng)
    assert wild.p_value > found.p_value


def test_the_scan_stops_early_and_says_so() -> None:
    stretches = connected_stretches(10, list(pairwise(range(10))))
    rng = np.random.default_rng(9)
    found = scan_path([1] + [0] * 9, np.ones(10), stretches, ScanParams(enough=5), rng)
    # One failure is somewhere in every world: each draw is as extreme.
    assert (found.p_value, found.draws) == (1.0, 5)
    assert scan_path([0] * 10, np.ones(10), stretches, ScanParams(), rng).p_value == 1.0
    with pytest.raises(RecurrenceError, match="needs more than 0"):
        scan_path([1, 0], [0.0, 1.0], connected_stretches(2, [(0, 1)]), ScanParams(), rng)


def test_the_scans_chance_is_exact_on_two_cells() -> None:
    """Four failures all in the first of two equal cells: 2 of 16 worlds are as extreme."""
    stretches = connected_stretches(2, [(0, 1)])
    rng = np.random.default_rng(10)
    params = ScanParams(draws=20_000, enough=10_000)
    found = scan_path([4, 0], [1.0, 1.0], stretches, params, rng)
    assert found.p_value == pytest.approx(2.0 / 16.0, abs=4.0 * np.sqrt(0.11 / 20_000))


def test_chance_of_failure_over_a_gamma() -> None:
    mean, variance = 0.7, 0.3
    shape = mean**2 / variance
    assert chance_of_failure([mean], [0.0])[0] == pytest.approx(1.0 - np.exp(-0.7))
    nb = scipy.stats.nbinom.pmf(0, shape, shape / (shape + mean))
    assert chance_of_failure([mean], [variance])[0] == pytest.approx(1.0 - nb)
    assert chance_of_failure([0.0], [0.0])[0] == 0.0


def test_call_backs_of_unequal_chances_by_hand() -> None:
    """Chances 0.1 and 0.2, one called back: 1 − 0.9 × 0.8 = 0.28 for one or more."""
    made = call_backs([True, False, True, True], [0.1, 0.2, 0.1, 0.3], [0, 0, 1, 1])
    assert made.p_value == pytest.approx([0.28, 0.03])
    assert made.p_fewer == pytest.approx([0.98, 1.0])
    assert made.adjusted == pytest.approx([0.28, 0.06])
    assert made.ratio == pytest.approx([1 / 0.3, 2 / 0.4])


@pytest.mark.parametrize("level", [0.95, 0.998])
def test_funnel_limits_meet_their_tails(level: float) -> None:
    """Interpolated: the limit lies between the whole numbers around the tail."""
    expected = np.array([1.0, 4.0, 25.0, 90.0])
    funnel = ratio_funnel(expected, level)
    high = funnel.high * expected
    tail = 0.5 * (1.0 - level)
    assert np.all(scipy.stats.poisson.sf(np.ceil(high), expected) <= tail)
    assert np.all(scipy.stats.poisson.sf(np.floor(high) - 1, expected) >= tail)
    assert np.all(np.diff(funnel.high) < 0.0)
    assert np.all(np.diff(funnel.low) >= 0.0)
    shares = share_funnel([10, 100, 1000], 0.1, level)
    assert np.all((shares.low <= 0.1) & (shares.high >= 0.1))
    with pytest.raises(RecurrenceError, match="whole numbers"):
        share_funnel([10.5], 0.1)


def test_a_look_is_due_when_its_chance_is_reached() -> None:
    for dispersion in (0.0, 0.8):
        peers = PeerRates(0.3, dispersion, 0.0, 10)
        rates = shrunk_rates([0, 1, 5], [2.0, 2.0, 2.0], peers)
        ahead = exposure_to_chance(rates, 0.25)
        assert predicted_chance(rates, ahead) == pytest.approx([0.25] * 3)
        assert np.all(np.diff(ahead) <= 0.0)
    ahead_of_trend = power_law_to_chance(0.01, 1.8, 30.0, 0.25)
    more = expected_failures(0.01, 1.8, 30.0, 30.0 + ahead_of_trend)
    assert more == pytest.approx(-np.log(0.75))


def test_renewing_never_pays_where_nothing_wears() -> None:
    assert minimal_repair_age(100.0, 0.9, Costs(1.0, 1.0)).age == np.inf


def test_repair_or_renew_follows_the_costs() -> None:
    rng = np.random.default_rng(12)
    at = np.array([300.0, 500.0, 700.0, 800.0, 870.0, 920.0, 950.0, 970.0, 990.0, 999.0])
    worn = WornUnit(10, 1000.0, float(np.sum(np.log(1000.0 / at))))
    cheap = repair_or_renew(worn, 500.0, Costs(renewal=1.0, failure=1.0), rng)
    dear = repair_or_renew(worn, 500.0, Costs(renewal=1000.0, failure=1.0), rng)
    assert cheap.chance_renewing_is_cheaper > 0.95
    assert dear.chance_renewing_is_cheaper == 0.0
    low, middle, high = cheap.repairing
    assert low < middle < high
    with pytest.raises(TooFewFailures):
        repair_or_renew(WornUnit(1, 10.0, 0.5), 5.0, Costs(1.0, 1.0), rng)
    with pytest.raises(RecurrenceError, match="costs above 0"):
        Costs(0.0, 1.0)


def test_unit_variance_of_the_cumulative_mean_is_the_plain_double_sum() -> None:
    events = [[5, 10, 15], [6, 13, 17], [12, 20, 25], [13, 15], [16, 22, 25]]
    ends = [17, 19, 26, 24, 28]
    made = cumulative_mean(stacked(events, ends))
    for k in range(len(made.age)):
        total = 0.0
        for own, end in zip(events, ends, strict=True):
            term = 0.0
            for age in made.age[: k + 1]:
                risk = sum(e >= age for e in ends)
                mean = sum(e.count(int(age)) for e in events) / risk
                term += (own.count(int(age)) - mean) / risk if end >= age else 0.0
            total += term**2
        assert made.variance[k] == pytest.approx(total)
    assert made.at(4.0) == 0.0
    assert made.at(5.5) == pytest.approx(0.2)
    with pytest.raises(RecurrenceError, match="at least one failure"):
        cumulative_mean(stacked([[]], [5.0]))


def test_trends_of_units_without_failures_say_nothing() -> None:
    tests = trend_tests(FailureTimes.of([0], [3.0], [5.0, 5.0]))
    assert np.isnan(tests.laplace[1])
    assert tests.chi_square_worsening[1] == 1.0
    with pytest.raises(RecurrenceError, match="past the end"):
        FailureTimes.of([0], [6.0], [5.0])
    with pytest.raises(TooFewFailures):
        mean_time_at_end(1, 10.0, 1.0)
    with pytest.raises(RecurrenceError, match="no upper limit"):
        mean_time_at_end(2, 10.0, 1.0, 0.99)
