"""Energised time, lineage, the same place and lives of parts, worked by hand."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from faults.recurrence.checked import RecurrenceError
from faults.recurrence.exposed import exposed_units
from faults.recurrence.exposure import EnergisedClock, Spans, State, states_at
from faults.recurrence.history import SEGMENT, SPLICE, Failure, History, Place
from faults.recurrence.lifetimes import part_lives
from faults.recurrence.lineage import Became, trace_descent
from faults.recurrence.same_place import CableMap, Neighbourhoods, SamePlace, Spot
from faults.recurrence.weather import equivalent_exposure, fit_state_factors

# N0 --10 m-- N1 --20 m-- N2 --30 m-- N3
CABLE = CableMap.of(4, [(0, 1), (1, 2), (2, 3)], [10.0, 20.0, 30.0])
SPOTS = [Spot(node=1), Spot(segment=1, fraction=0.9), Spot(node=3), Spot(segment=2, fraction=0.1)]


def test_a_season_off_is_no_exposure() -> None:
    off = Spans.of([(300.0, 400.0), (100.0, 200.0), (350.0, 420.0)])
    assert off.start.tolist() == [100.0, 300.0]
    assert off.stop.tolist() == [200.0, 420.0]
    clock = EnergisedClock.of((0.0, 500.0), off)
    assert clock.total == 280.0
    assert clock.at([50, 100, 150, 250, 450, 600]).tolist() == [50, 100, 100, 150, 230, 280]
    assert clock.when(150.0) == 250.0
    with pytest.raises(RecurrenceError, match="never gets there"):
        clock.when(281.0)


def test_a_storm_counts_as_storm_and_not_as_wet_too() -> None:
    clock = EnergisedClock.of((0.0, 100.0), Spans.of([(90.0, 100.0)]))
    wet, storm = Spans.of([(10.0, 30.0), (85.0, 95.0)]), Spans.of([(25.0, 35.0)])
    assert clock.by_state(wet, storm) == (60.0, 20.0, 10.0)
    states = states_at([5.0, 10.0, 26.0, 34.9, 35.0, 88.0], wet, storm)
    assert [State(one).name for one in states] == ["DRY", "WET", "STORM", "STORM", "DRY", "WET"]


def test_spans_without_others_and_within_them() -> None:
    one, other = Spans.of([(0.0, 10.0), (20.0, 30.0)]), Spans.of([(5.0, 22.0), (25.0, 26.0)])
    assert np.column_stack([one.without(other).start, one.without(other).stop]).tolist() == [
        [0.0, 5.0],
        [22.0, 25.0],
        [26.0, 30.0],
    ]
    assert one.within(other).total + one.without(other).total == one.total
    with pytest.raises(RecurrenceError, match="start <= stop"):
        Spans.of([(2.0, 1.0)])


def test_failures_follow_a_segment_that_was_cut() -> None:
    """0 became 1 (40 %) and 2 (60 %), then 2 became 3 and 4, half each."""
    steps = [Became(0, (1, 2), (0.4, 0.6)), Became(2, (3, 4), (0.5, 0.5))]
    descent = trace_descent(5, steps, [0, 0, 1], [0.3, 0.75, None])
    assert descent.ends == ((1,), (3,), (4,))
    assert descent.of_failure.tolist() == [0, 2, 0]
    assert descent.exposure(np.array([10.0, 1.0, 2.0, 3.0, 4.0])) == pytest.approx([5.0, 7.0, 8.0])


def test_parts_stay_one_unit_where_a_failure_cannot_be_given_to_one() -> None:
    steps = [Became(0, (1, 2), (0.4, 0.6))]
    descent = trace_descent(3, steps, [0], [None])
    assert descent.ends == ((1, 2),)
    assert descent.exposure(np.array([10.0, 1.0, 2.0])) == pytest.approx([13.0])


def test_merged_places_hand_over_all() -> None:
    steps = [Became(0, (2,), (1.0,)), Became(1, (2,), (1.0,))]
    descent = trace_descent(3, steps, [0, 1], [None, None])
    assert descent.units == 1
    assert descent.of_failure.tolist() == [0, 0]


def test_lineage_that_cannot_be() -> None:
    with pytest.raises(RecurrenceError, match="sum to 1"):
        Became(0, (1, 2), (0.4, 0.4))
    with pytest.raises(RecurrenceError, match="becomes itself"):
        trace_descent(2, [Became(0, (1,), (1.0,)), Became(1, (0,), (1.0,))], [], [])
    with pytest.raises(RecurrenceError, match="ends once"):
        trace_descent(2, [Became(0, (1,), (1.0,)), Became(0, (1,), (1.0,))], [], [])


@pytest.mark.parametrize(
    ("rule", "words", "pairs"),
    [
        (SamePlace(), "the very splice or segment", set()),
        (SamePlace("splices", 1), "within 1 splice", {(0, 1), (1, 3), (2, 3)}),
        (SamePlace("splices", 2), "within 2 splices", set(combinations(range(4), 2))),
        # 18 m from N1 to the spot on segment 1, 2 m more to N2, 3 m more to that on segment 2.
        (SamePlace("metres", 4.9), "within 4.9 m along the cable", set()),
        (SamePlace("metres", 5), "within 5 m along the cable", {(1, 3)}),
        (SamePlace("metres", 23), "within 23 m along the cable", {(0, 1), (0, 3), (1, 3)}),
    ],
)  # fmt: skip
def test_the_same_place_by_its_rule(
    rule: SamePlace, words: str, pairs: set[tuple[int, int]]
) -> None:
    assert rule.words == words
    same = Neighbourhoods(CABLE, rule, SPOTS).same()
    assert np.array_equal(same, same.T)
    assert np.all(np.diag(same))
    assert {(i, j) for i, j in zip(*np.nonzero(np.triu(same, 1)), strict=True)} == pairs


def test_what_of_the_cable_is_the_same_place() -> None:
    nodes, segments = Neighbourhoods(CABLE, SamePlace("metres", 6.0), SPOTS).weights()
    assert nodes.tolist() == [[0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1], [0, 0, 1, 0]]
    # From N1 6 m of the 10 and of the 20 m; from 2 m before N2 8 of 20 m, and 4 of the next 30.
    assert segments[0] == pytest.approx([0.6, 0.3, 0.0])
    assert segments[1] == pytest.approx([0.0, 0.4, 4.0 / 30.0])
    assert segments[3] == pytest.approx([0.0, 3.0 / 20.0, 9.0 / 30.0])
    with pytest.raises(RecurrenceError, match="no such splice"):
        Neighbourhoods(CABLE, SamePlace(), [Spot(node=9)])


def test_lives_of_parts() -> None:
    """Fitted at 10, 40 and 70; failed at 25, 70 (renewed then) and 95; watched to 100. What was
    there before 10 is of unknown age; the second failure of one life ends nothing more."""
    lives = part_lives([10.0, 40.0, 70.0], [5.0, 25.0, 30.0, 70.0], 100.0)
    assert lives.age.tolist() == [15.0, 30.0, 30.0]
    assert lives.ended.tolist() == [True, True, False]
    assert part_lives([], [5.0], 100.0).age.size == 0


def test_state_factors_by_hand() -> None:
    """One unit, twice as long dry as wet, as often failed: wet is twice as bad."""
    factors = fit_state_factors([[6, 6, 0]], [[20.0, 10.0, 1.0]])
    assert factors.factor[:2] == pytest.approx([1.0, 2.0])
    assert factors.deviation[1] == pytest.approx(np.sqrt(1 / 6 + 1 / 6))
    # Nothing failed in a storm: nothing is known, and a storm hour counts as an hour.
    assert factors.factor[2] == 1.0
    assert np.isnan(factors.deviation[2])
    assert equivalent_exposure([[20.0, 10.0, 1.0]], factors) == pytest.approx([41.0])
    with pytest.raises(RecurrenceError, match="never was in"):
        fit_state_factors([[1, 1]], [[1.0, 0.0]])


def test_a_failure_before_its_place_was_energised_is_refused() -> None:
    place = Place("N1", SPLICE, 1.0, (0.0, 100.0), Spans.of([(0.0, 50.0)]), "splice")
    with pytest.raises(RecurrenceError, match="failure 0: N1 was not watched and energised"):
        exposed_units(History((place,), (Failure(0, 40.0),)))
    fine = exposed_units(History((place,), (Failure(0, 60.0),)))
    assert fine.failures.at.tolist() == [10.0]
    assert fine.exposure.tolist() == [50.0]


def test_metres_are_exposure_of_a_segment() -> None:
    place = Place("S1", SEGMENT, 30.0, (0.0, 100.0), Spans.of([]), "segment")
    made = exposed_units(History((place,), ()))
    assert made.exposure.tolist() == [3000.0]
    assert made.failures.end.tolist() == [100.0]
