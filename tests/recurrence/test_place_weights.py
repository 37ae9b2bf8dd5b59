"""What a place's history makes it weigh against its peers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from faults.recurrence.checked import RecurrenceError
from faults.recurrence.peers import PeerRates
from faults.recurrence.place_weights import PathPlaces, place_weights
from faults.recurrence.rates import shrunk_rates

BOUNDS = (0.25, 8.0)


def places(
    counts: list[int],
    expected: float = 0.2,
    dispersion: float = 1.5,
    stretch: list[float] | None = None,
) -> PathPlaces:
    size = len(counts)
    return PathPlaces(
        np.array(counts),
        np.full(size, expected),
        np.full(size, dispersion),
        np.ones(size) if stretch is None else np.array(stretch),
    )


@given(
    counts=st.lists(st.integers(0, 6), min_size=1, max_size=8),
    expected=st.floats(0.0, 3.0),
    dispersion=st.floats(1e-6, 3.0),
)
def test_it_is_the_posterior_mean_against_that_of_a_peer_that_never_failed(
    counts: list[int], expected: float, dispersion: float
) -> None:
    peers = PeerRates(1.0, dispersion, 0.0, 9)
    rates = shrunk_rates([0, *counts], [expected] * (len(counts) + 1), peers)
    wanted = np.clip(rates.mean[1:] / rates.mean[0], *BOUNDS)
    found = place_weights(places(counts, expected, dispersion), *BOUNDS)
    np.testing.assert_allclose(found, wanted, rtol=1e-9)


def test_a_place_of_which_nothing_is_known_weighs_exactly_one() -> None:
    assert place_weights(places([0, 2, 0]), *BOUNDS).tolist() == [1.0, 4.0, 1.0]
    alike = place_weights(places([0, 5, 1], dispersion=0.0), *BOUNDS)
    assert alike.tolist() == [1.0, 1.0, 1.0]


def test_a_stretch_lifts_all_its_places_as_the_two_levels_have_it() -> None:
    found = place_weights(places([0, 1, 0], stretch=[1.0, 3.0, 3.0]), *BOUNDS)
    # Expected 0.2 of peers, so 0.6 in the stretch: against (1 + 0)/(1 + 1.5 x 0.2) outside.
    quiet = 1.0 / (1.0 + 1.5 * 0.2)
    inside = 3.0 / (1.0 + 1.5 * 0.6) / quiet
    np.testing.assert_allclose(found, [1.0, inside * (1.0 + 1.5), inside], rtol=1e-12)


def test_no_history_weighs_past_the_bounds() -> None:
    found = place_weights(places([40, 0], stretch=[1.0, 0.01]), *BOUNDS)
    assert found.tolist() == [8.0, 0.25]


@pytest.mark.parametrize(
    ("told", "bounds"),
    [
        (places([0], stretch=[0.0]), BOUNDS),
        (places([0], dispersion=-1.0), BOUNDS),
        (places([0]), (2.0, 8.0)),
        (places([0], stretch=[1.0, 1.0]), BOUNDS),
    ],
)
def test_what_makes_no_sense_is_refused(told: PathPlaces, bounds: tuple[float, float]) -> None:
    with pytest.raises(RecurrenceError):
        place_weights(told, *bounds)
