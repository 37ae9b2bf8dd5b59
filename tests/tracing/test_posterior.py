"""What the readings make of the chances: sums, priors, counts, looks, and mistakes."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faults.tracing.assumptions import Assumptions
from faults.tracing.evidence import (
    MISCOUNT,
    CableCount,
    CurrentReading,
    Evidence,
    MessageLook,
)
from faults.tracing.posterior import CONTROLLER, NONE, OTHER, OVERLOAD, Posterior
from faults.tracing.prediction import edge_ratio, place_faults, solve_sound
from faults.tracing.problem import Meter, PlacePrior, TraceProblem
from faults.tracing.reckoner import Reckoner
from faults.tracing.tree_view import build_tree_view
from sites.network.elements import WirePath
from sites.network.faults import Place
from tests.tracing.drives import COIL_OHM, tree_path

PATH = tree_path()
LINE = tree_path(tuple((k, k + 1) for k in range(12)))
D3, N3 = Place("device", "D3"), Place("splice", "N3")


def reckoner_of(path: WirePath = PATH, **changes: object) -> Reckoner:
    problem = replace(TraceProblem(path=path, coil_ohm=COIL_OHM), **changes)
    return Reckoner(problem, build_tree_view(path))


class Truth:
    """What wires read, to a tenth of a milliampere, with a short of 3 ohms at a node."""

    def __init__(self, reckoner: Reckoner, node: str) -> None:
        view = self.view = reckoner.view
        self.path = reckoner.problem.path
        self.faults = place_faults(
            solve_sound(view, np.ones(1)), np.array([view.point_of_node[node]]), np.array([3.0])
        )
        series = self.path.source_ohm + COIL_OHM
        input_ohm = self.faults.input_ohm[0, 0, 0]
        self.scale_ma = 1000.0 * self.path.source_v / abs(series + input_ohm)

    def reference(self) -> CurrentReading:
        return CurrentReading("reference", "N0", "", round(self.scale_ma, 1), 5.0)

    def wire(self, node: str, wire: str) -> CurrentReading:
        ratio = float(edge_ratio(self.faults, self.view.edge_of_wire[(node, wire)])[0, 0, 0])
        return CurrentReading("segment", node, wire, round(ratio * self.scale_ma, 1), 5.0)


def folded(reckoner: Reckoner, readings: list[CurrentReading]) -> Posterior:
    """The posterior, reckoned anew after every reading as a trace does it."""
    evidence, posterior = Evidence(), reckoner.reckon(Evidence())
    for reading in readings:
        evidence = evidence.with_reading(reading)
        posterior = reckoner.reckon(evidence, posterior)
    return posterior


def beyond(posterior: Posterior, node: str, wire: str) -> float:
    """The chance of all places that this wire feeds."""
    edge = posterior.view.edge_of_wire[(node, wire)]
    last = posterior.view.last[edge]
    point = posterior.hypotheses.point
    return float(posterior.chance[(point >= edge) & (point < last)].sum())


def total(posterior: Posterior) -> float:
    apart = posterior.apart
    return float(posterior.chance.sum()) + apart.sound + apart.other


@given(st.lists(st.tuples(st.integers(0, 13), st.floats(0.0, 400.0)), max_size=6), st.booleans())
@settings(max_examples=12)
def test_chances_sum_to_one_whatever_is_read(
    read: list[tuple[int, float]], coil_known: bool
) -> None:
    reckoner = reckoner_of(coil_ohm=COIL_OHM if coil_known else None)
    wires = sorted(reckoner.view.edge_of_wire)
    readings = [CurrentReading("segment", *wires[k], round(ma, 1), 5.0) for k, ma in read]
    posterior = folded(reckoner, readings)
    assert total(posterior) == pytest.approx(1.0, abs=1e-9)
    assert (posterior.chance >= 0.0).all()
    rows = float(posterior.row_chance.sum()) + posterior.apart.other
    assert rows == pytest.approx(1.0, abs=1e-9)


def test_before_any_observation_places_are_alike_and_the_rest_as_believed() -> None:
    posterior = reckoner_of().reckon(Evidence())
    mapped = [posterior.chance_of(p) for p in posterior.hypotheses.places if p.kind != "unmapped"]
    # A far place draws less, so that it was less likely to be reported: only a little so here.
    assert min(mapped) > 0.8 * max(mapped)
    assert max(mapped) < 1.2 / len(mapped)
    assert 0.01 <= posterior.apart.other < 0.05


class TestPriors:
    def test_a_weight_multiplies_the_odds_against_another_place_at_any_time(self) -> None:
        flat = reckoner_of()
        weighed = reckoner_of(priors=(PlacePrior(D3, 3.0),))
        truth = Truth(flat, "N3")
        readings = [truth.reference(), truth.wire("N1", "S2"), truth.wire("N2", "S4")]
        for count in range(len(readings) + 1):
            one = folded(flat, readings[:count])
            other = folded(weighed, readings[:count])
            before = one.chance_of(D3) / one.chance_of(N3)
            after = other.chance_of(D3) / other.chance_of(N3)
            assert after == pytest.approx(3.0 * before)
            assert total(other) == pytest.approx(1.0)

    def test_a_weight_of_nothing_takes_a_place_out(self) -> None:
        posterior = folded(reckoner_of(priors=(PlacePrior(D3, 0.0),)), [])
        assert posterior.chance_of(D3) == 0.0

    def test_priors_leave_what_is_no_place_alone(self) -> None:
        flat = reckoner_of().hypotheses
        weighed = reckoner_of(priors=(PlacePrior(D3, 50.0),)).hypotheses
        assert weighed.weight.sum() == pytest.approx(flat.weight.sum())
        assert Assumptions().priors.other >= 0.01


class TestCablesCounted:
    def test_each_count_moves_the_odds_of_something_unmapped(self) -> None:
        reckoner = reckoner_of()
        stray = Place("unmapped", "N3")
        counts = {"agrees": CableCount("N3", 2), "one more": CableCount("N3", 3)}
        plain = reckoner.reckon(Evidence())
        odds = plain.chance_of(stray) / plain.chance_of(N3)
        factor = (1.0 - MISCOUNT) / MISCOUNT
        for said, by in (("agrees", 1.0 / factor), ("one more", factor)):
            told = reckoner.reckon(Evidence().with_count(counts[said]))
            assert told.chance_of(stray) / told.chance_of(N3) == pytest.approx(odds * by)
        both = Evidence().with_count(counts["agrees"]).with_count(counts["one more"])
        told = reckoner.reckon(both)
        assert told.chance_of(stray) / told.chance_of(N3) == pytest.approx(odds)

    def test_a_parallel_pair_is_two_cables(self) -> None:
        assert reckoner_of().cables_on_map("N2") == 4  # S2, S3, S4 and the lead of D2
        assert reckoner_of().cables_on_map("N0") == 2


class TestLooks:
    def looked(self, *looks: tuple[bool, frozenset[str] | None]) -> Posterior:
        evidence = Evidence()
        for shown, legs in looks:
            evidence = evidence.with_look(MessageLook(shown, legs))
        return reckoner_of().reckon(evidence)

    def test_a_message_that_stays_without_a_wire_is_the_controllers(self) -> None:
        posterior = self.looked((True, None), (True, frozenset()), (True, frozenset()))
        assert posterior.apart.controller > 0.99

    def test_a_message_that_goes_with_the_wires_is_not(self) -> None:
        before = self.looked((True, None)).apart.controller
        assert self.looked((True, None), (False, frozenset())).apart.controller < before / 30.0

    def test_no_message_speaks_for_a_sound_path(self) -> None:
        seldom = [self.looked(*[(False, None)] * n).apart.none for n in range(4)]
        assert seldom == sorted(seldom)
        assert seldom[3] > 20.0 * seldom[0]
        assert self.looked((True, None)).apart.none < seldom[0]

    def test_looks_at_the_same_thing_say_less_each_time(self) -> None:
        """What is off in the trip's setting is the same at every look."""
        logs = []
        for n in range(4):
            posterior = self.looked(*[(False, None)] * n)
            logs.append(math.log(posterior.apart.none / float(posterior.chance.sum())))
        gains = np.diff(logs)
        assert gains[0] > gains[1] > gains[2] > 0.0

    def test_a_message_with_one_leg_on_points_to_that_leg(self) -> None:
        posterior = self.looked((True, None), (True, frozenset({"S7"})))
        assert beyond(posterior, "N0", "S7") > 0.7
        posterior = self.looked((True, None), (False, frozenset({"S7"})))
        assert beyond(posterior, "N0", "S1") > 0.7

    def test_a_sound_path_that_draws_too_much_is_an_overload(self) -> None:
        heavy = replace(
            PATH,
            trip_ma=130.0,
            segments=tuple(replace(s, length_m=20.0) for s in PATH.segments),
        )
        reckoner = reckoner_of(heavy)
        looks = [MessageLook(shown=True, legs_on=None)] * 2
        evidence = Evidence(looks=(*looks, MessageLook(shown=False, legs_on=frozenset())))
        view = reckoner.view
        sound = place_faults(solve_sound(view, np.array([1.6])), np.array([-1]), np.ones(1))
        series = heavy.source_ohm + COIL_OHM
        ma = 1000.0 * heavy.source_v / abs(series + sound.input_ohm[0, 0, 0])
        posterior = reckoner.reckon(evidence)
        readings = [CurrentReading("reference", "N0", "", round(ma, 1), 5.0)]
        for node, wire in (("N0", "S1"), ("N1", "S2"), ("N1", "S5"), ("N0", "S7"), ("N5", "S6")):
            ratio = float(edge_ratio(sound, view.edge_of_wire[(node, wire)])[0, 0, 0])
            readings.append(CurrentReading("segment", node, wire, round(ratio * ma, 1), 5.0))
        for k in range(len(readings)):
            evidence = replace(evidence, readings=tuple(readings[: k + 1]))
            posterior = reckoner.reckon(evidence, posterior)
        ranked = dict(posterior.ranked(8))
        assert posterior.apart.overload > 0.5
        assert ranked[OVERLOAD] == posterior.apart.overload
        assert ranked[OVERLOAD] > max(ranked.get(NONE, 0.0), ranked.get(CONTROLLER, 0.0))


class TestMistakes:
    def test_a_zero_on_a_guilty_branch_does_not_clear_it_beyond_doubt(self) -> None:
        """Both conductors in the jaw read about nothing: the classic blunder."""
        reckoner = reckoner_of(LINE)
        truth = Truth(reckoner, "N9")
        zero = replace(truth.wire("N5", "S6"), current_ma=0.0)
        blundered = folded(reckoner, [truth.reference(), truth.wire("N2", "S3"), zero])
        left = beyond(blundered, "N5", "S6")
        assert left > 0.01
        # The same zero on a wire that is truly cleared leaves less than that of it.
        again = folded(
            reckoner, [truth.reference(), truth.wire("N2", "S3"), zero, truth.wire("N5", "S6")]
        )
        assert beyond(again, "N5", "S6") > 0.5
        further = truth.wire("N7", "S8")
        most = folded(reckoner, [truth.reference(), zero, truth.wire("N5", "S6"), further])
        assert beyond(most, "N7", "S8") > 0.9

    @pytest.mark.parametrize("junk_ma", [0.0, 14.5, 120.0])
    def test_two_wrong_readings_do_not_hide_the_place(self, junk_ma: float) -> None:
        reckoner = reckoner_of(LINE)
        truth = Truth(reckoner, "N9")
        wires = [
            ("N1", "S2"),
            ("N4", "S5"),
            ("N7", "S8"),
            ("N8", "S9"),
            ("N9", "S9"),
            ("N9", "S10"),
        ]
        readings = [truth.reference(), *(truth.wire(*wire) for wire in wires)]
        readings[2] = replace(readings[2], current_ma=0.0)
        readings[3] = replace(readings[3], current_ma=junk_ma)
        posterior = folded(reckoner, readings)
        row = posterior.rows.row_of[posterior.hypotheses.index[Place("splice", "N9")]]
        assert posterior.row_chance[row] > 0.5
        assert posterior.row_chance.argmax() == row

    def test_a_reading_that_two_others_of_its_wire_outvote_is_left_out(self) -> None:
        reckoner = reckoner_of(LINE)
        truth = Truth(reckoner, "N9")
        right = truth.wire("N5", "S6")
        wrong = replace(right, current_ma=1.0)
        start = [truth.reference(), truth.wire("N2", "S3")]
        assert Evidence((*start, wrong, right)).settled == (*start, wrong, right)
        evidence = Evidence((*start, wrong, right, right))
        assert evidence.settled == (*start, right, right)
        one = reckoner.reckon(evidence)
        other = reckoner.reckon(Evidence((*start, right, right)))
        assert one.chance == pytest.approx(other.chance, abs=1e-12)

    def test_readings_that_merely_wander_are_kept(self) -> None:
        readings = tuple(
            CurrentReading("segment", "N1", "S2", ma, 5.0) for ma in (100.0, 108.0, 115.0)
        )
        assert Evidence(readings).settled == readings

    def test_places_past_doubt_are_looked_at_again_when_nothing_else_fits(self) -> None:
        """Two zeros at the start send the place to sleep; what is read later wakes it."""
        reckoner = reckoner_of(LINE, meter=Meter(percent=0.2, counts=0.0, resolution_ma=0.1))
        truth = Truth(reckoner, "N11")
        near = [truth.wire(f"N{k}", f"S{k + 1}") for k in (0, 1)]
        zeros = [replace(truth.wire("N4", "S5"), current_ma=0.0)] * 2
        misled = [truth.reference(), *near, *zeros, replace(truth.wire("N3", "S4"), current_ma=0.0)]
        asleep = folded(reckoner, misled)
        place = Place("splice", "N11")
        assert asleep.chance_of(place) < 1e-4
        right = [truth.wire(f"N{k}", f"S{k + 1}") for k in (4, 4, 4, 3, 3, 6, 8, 10)]
        right += [truth.wire("N11", "S11"), truth.wire("N11", "S12")]
        woken = folded(reckoner, [*misled, *right])
        row = woken.rows.row_of[woken.hypotheses.index[place]]
        assert woken.row_chance.argmax() == row
        assert woken.row_chance[row] > 0.9

    def test_nonsense_from_end_to_end_is_none_of_all(self) -> None:
        reckoner = reckoner_of(LINE)
        wires = [(f"N{k}", f"S{k + 1}") for k in range(0, 12, 2)]
        readings = [
            CurrentReading("segment", *wire, ma, 5.0)
            for wire, ma in zip(wires, (40.0, 160.0, 90.0, 200.0, 20.0, 150.0), strict=True)
        ]
        posterior = folded(reckoner, readings)
        assert posterior.chance_of(OTHER) > 0.5
