"""What a place's history makes it weigh against its peers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from faults.recurrence.checked import RecurrenceError
from faults.recurrence.peers import PeerData, PeerRates, cautious_dispersion, fit_peers
from faults.recurrence.place_weights import FoundStretch, KindRates, PathPlaces, place_weights
from faults.recurrence.rates import shrunk_rates
from faults.recurrence.trouble import TroubleParams, Units, judge_units, kind_rates

BOUNDS = (0.25, 8.0)


def places(counts: list[int], expected: float = 0.2) -> PathPlaces:
    """Places of one kind whose peers fail at rate 1."""
    size = len(counts)
    return PathPlaces(np.zeros(size, dtype=np.int64), np.array(counts), np.full(size, expected))


def rates(spread: float = 1.5, unflagged: float = 0.5) -> KindRates:
    return KindRates(np.array([1.0]), np.array([spread]), np.array([unflagged]))


def stretch(*numbers: int, adjusted: float = 0.0) -> FoundStretch:
    return FoundStretch(np.array(numbers), adjusted)


@given(
    counts=st.lists(st.integers(0, 6), min_size=1, max_size=8),
    expected=st.floats(0.0, 3.0),
    spread=st.floats(1e-6, 3.0),
)
def test_it_is_the_posterior_mean_against_that_of_a_peer_that_never_failed(
    counts: list[int], expected: float, spread: float
) -> None:
    shrunk = shrunk_rates(
        [0, *counts], [expected] * (len(counts) + 1), PeerRates(1.0, spread, 0.0, 9)
    )
    wanted = np.clip(shrunk.mean[1:] / shrunk.mean[0], *BOUNDS)
    found = place_weights(places(counts, expected), rates(spread), [], BOUNDS)
    np.testing.assert_allclose(found, wanted, rtol=1e-9)


def test_a_place_of_which_nothing_is_known_weighs_exactly_one() -> None:
    assert place_weights(places([0, 2, 0]), rates(), [], BOUNDS).tolist() == [1.0, 4.0, 1.0]
    alike = place_weights(places([0, 5, 1]), rates(0.0, 0.0), [], BOUNDS)
    assert alike.tolist() == [1.0, 1.0, 1.0]
    # Nor does a stretch count that chance makes as easily.
    unsure = [stretch(1, 2, adjusted=0.4)]
    weight = place_weights(places([0, 5, 1]), rates(0.0, 0.0), unsure, BOUNDS)
    assert weight.tolist() == [1.0, 1.0, 1.0]


def test_a_sure_stretch_lifts_all_its_places() -> None:
    found = place_weights(places([0, 1, 0]), rates(), [stretch(1, 2)], BOUNDS)
    ratio = (1.0 + 1.0) / (1.0 + 0.4)
    inside = ratio * (1.0 + 0.5 * 0.2) / (1.0 + 0.5 * ratio * 0.2)
    np.testing.assert_allclose(found, [1.0, inside * 1.5, inside], rtol=1e-12)
    # One that failed less than peers pulls nothing down.
    calm = place_weights(places([1, 0, 0], 2.0), rates(), [stretch(1, 2)], BOUNDS)
    assert calm.tolist() == [2.5, 1.0, 1.0]


@pytest.mark.parametrize(
    ("adjusted", "doubt"),
    [(0.0, 0.0), (0.05, 0.407), (0.01, 0.125), (0.37, 1.0), (1.0, 1.0)],
)
def test_a_stretch_is_doubted_as_its_p_value_has_it(adjusted: float, doubt: float) -> None:
    """For 0.05 and 0.01 as Sellke, Bayarri and Berger have it, Am. Stat. 55 (2001)."""
    one = stretch(0, adjusted=adjusted)
    assert one.doubt == pytest.approx(doubt, abs=5e-4)
    sure, alone, mixed = (
        place_weights(places([1, 0]), rates(), told, BOUNDS)[0]
        for told in ([stretch(0)], [], [one])
    )
    assert mixed == pytest.approx(one.doubt * alone + (1.0 - one.doubt) * sure, rel=1e-12)


def test_no_history_weighs_past_the_bounds() -> None:
    assert place_weights(places([40, 0]), rates(), [], BOUNDS).tolist() == [8.0, 1.0]


def test_what_makes_no_sense_is_refused() -> None:
    with pytest.raises(RecurrenceError):
        place_weights(places([0]), rates(), [], (2.0, 8.0))
    with pytest.raises(RecurrenceError):
        place_weights(places([0]), rates(), [stretch(0, adjusted=1.2)], BOUNDS)
    with pytest.raises(RecurrenceError):
        place_weights(
            PathPlaces(np.zeros(1, np.int64), np.array([0]), np.ones(2)), rates(), [], BOUNDS
        )


def test_one_meeting_by_chance_makes_no_spread_and_many_do() -> None:
    exposure = np.full(1000, 0.02)
    once = np.zeros(1000, dtype=np.int64)
    once[:18] = 1
    once[0] = 2
    assert fit_peers(once, exposure).dispersion > 4.0
    assert cautious_dispersion(PeerData(once, exposure)) == 0.0
    often = np.zeros(1000, dtype=np.int64)
    often[:6] = (5, 4, 3, 3, 2, 2)
    likeliest = fit_peers(often, exposure).dispersion
    cautious = cautious_dispersion(PeerData(often, exposure))
    assert 0.5 < cautious < likeliest
    # It is the top of the profile less φ: to either side that is lower.
    data = PeerData(often, exposure)
    top = data.profile(cautious) - cautious
    assert all(data.profile(cautious * s) - cautious * s < top for s in (0.8, 0.95, 1.05, 1.25))


def test_places_that_are_alike_by_chance_alone_have_no_spread() -> None:
    """Equal rates in forty worlds: the cautious spread is 0 in most, the likeliest far from it."""
    cautious, likeliest = [], []
    for seed in range(40):
        rng = np.random.default_rng([77, seed])
        counts = np.zeros((900, 3), dtype=np.int64)
        counts[:, 0] = rng.poisson(0.04, 900)
        energised = np.zeros((900, 3))
        energised[:, 0] = 365.0
        units = Units(np.zeros(900, np.int64), np.zeros(900, np.int64), counts, energised)
        judged = judge_units(units, TroubleParams())
        cautious.append(float(kind_rates(units, judged).spread[0]))
        likeliest.append(judged.everyone[0].dispersion)
    assert sum(one == 0.0 for one in cautious) >= 30
    assert max(cautious) < 1.0
    assert all(a <= b or math.isclose(a, b) for a, b in zip(cautious, likeliest, strict=True))
    assert sum(one > 1.0 for one in likeliest) >= 4
