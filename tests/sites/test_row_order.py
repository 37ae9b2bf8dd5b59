from __future__ import annotations

from itertools import combinations, pairwise

from hypothesis import given
from hypothesis import strategies as st

from sites.row_order import places_in_order

PLACES = st.lists(st.none() | st.integers(0, 30).map(float), max_size=9)


def most_that_rise(old: list[float | None]) -> int:
    """The longest rising subsequence, by trying all."""
    known = [place for place in old if place is not None]
    return max(
        size
        for size in range(len(known) + 1)
        for some in combinations(known, size)
        if all(low < high for low, high in pairwise(some))
    )


@given(PLACES)
def test_places_rise_and_as_many_as_possible_are_kept(old: list[float | None]) -> None:
    places = places_in_order(old)
    assert len(places) == len(old)
    assert all(low < high for low, high in pairwise(places))
    kept = sum(before == after for before, after in zip(old, places, strict=True))
    assert kept >= most_that_rise(old)


def test_a_row_put_in_between_moves_no_other() -> None:
    assert places_in_order([0.0, None, 1.0, 2.0]) == [0.0, 0.5, 1.0, 2.0]
    assert places_in_order([None, None, 0.0]) == [-2.0, -1.0, 0.0]
    assert places_in_order([4.0, None, None]) == [4.0, 5.0, 6.0]


def test_where_no_number_is_left_between_all_are_placed_afresh() -> None:
    places = [0.0, 1.0]
    while places[1] > 0.0 and (places[0] + places[1]) / 2 not in places:
        places = [places[0], (places[0] + places[1]) / 2]
    assert places_in_order([places[0], None, places[1]]) == [0.0, 1.0, 2.0]
