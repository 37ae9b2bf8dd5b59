"""Rules of thumb of the trade, as tests of the engine's sense and not of its digits.

Each is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from faults.rehearsal.layouts import drawing
from faults.tracing.case import Case
from faults.tracing.observations import Clamp, Message, Power
from faults.tracing.problem import Meter
from faults.tracing.session import Session
from sites.network.faults import Condition, Place
from sites.network.solution import Solution
from sites.network.solve import solve
from tests.tracing.drives import COIL_OHM, Drive, asks, short_at, tree_path, tree_rehearsal

D5 = Place("device", "D5")
SHORT = short_at("device", "D5")
PATH = tree_path()
LINE = drawing(tree_path(tuple((k, k + 1) for k in range(12))), [2.0] * 12)


def clamping(*readings: tuple[str, str, float]) -> Session:
    """A trace with its reference taken and these wires clamped."""
    drive = Drive(tree_rehearsal(SHORT))
    drive.until(asks("clamp"))
    for node, wire, current_ma in readings:
        drive.tell(Clamp(node=node, wire=wire, current_ma=current_ma))
    return drive.session


def chance_within(case: Case, node: str, wire: str) -> float:
    """The chance of everything that a wire feeds."""
    posterior = case.posterior
    edge = posterior.view.edge_of_wire[(node, wire)]
    point = posterior.hypotheses.point
    inside = (point >= edge) & (point < posterior.view.last[edge])
    return float(posterior.chance[inside].sum())


def faulted(coil_ohm: complex = COIL_OHM) -> Solution:
    return solve(PATH, Condition(coil_ohm=coil_ohm, faults=(SHORT,)))


class TestTheMeter:
    """Common practice, no source: a clamp that reads to 1 mA is needed; ordinary clamps do not
    show what is chased."""

    def test_a_clamp_to_one_milliampere_proves_the_place(self) -> None:
        verdict = Drive(tree_rehearsal(SHORT, meter=Meter())).to_the_end()
        assert verdict.outcome == "proved"

    @pytest.mark.slow
    def test_an_ordinary_clamp_does_not(self) -> None:
        ordinary = Meter(percent=2.0, counts=5.0, resolution_ma=100.0)
        verdict = Drive(tree_rehearsal(SHORT, meter=ordinary), most_steps=300).to_the_end()
        assert verdict.outcome == "unproved"


class TestTheReference:
    @pytest.mark.parametrize("size", [60.0, 110.0, 200.0])
    def test_with_a_series_coil_it_is_some_100_to_450_ma(self, size: float) -> None:
        """Common practice, no source: with a series coil the reference is some 100 to 450 mA."""
        coil = size * (0.4 + 0.9165j)
        assert 100.0 < abs(faulted(coil).controller_current_a) * 1000.0 < 450.0

    @pytest.mark.slow
    def test_its_value_does_not_matter_changes_along_the_path_do(self) -> None:
        """Common practice, no source. With the coil unknown all readings by the same factor
        lead to the same chances, nearly."""
        leading = []
        for factor in (0.7, 1.0, 1.3):
            drive = Drive(tree_rehearsal(SHORT, coil_known=False))
            drive.tamper = lambda step, seen, by=factor: (  # type: ignore[misc]
                replace(seen, current_ma=seen.current_ma * by)
                if hasattr(seen, "current_ma")
                else seen
            )
            verdict = drive.to_the_end()
            leading.append(verdict.found[0].at)
        assert leading == [D5] * 3


class TestSplices:
    def test_high_in_and_high_out_the_fault_is_further_downstream(self) -> None:
        """Common practice, no source."""
        before = clamping()
        after = clamping(("N0", "S1", 253.0), ("N1", "S5", 252.0))
        beyond = chance_within(after.case, "N1", "S5")
        assert beyond > 0.9
        assert beyond > 2.0 * chance_within(before.case, "N1", "S5")

    def test_a_branch_that_reads_near_nothing_is_cleared_as_a_whole(self) -> None:
        """Common practice, no source: be it half a metre or hundreds of metres. S2 feeds three
        devices and three splices."""
        before = chance_within(clamping(("N0", "S1", 253.0)).case, "N1", "S2")
        after = clamping(("N0", "S1", 253.0), ("N1", "S2", 1.0), ("N1", "S5", 252.0))
        assert before > 0.3
        assert chance_within(after.case, "N1", "S2") < 0.02
        for place in ("N2", "N3", "N4"):
            assert after.case.chance_of(Place("splice", place)) < 0.01

    def test_a_lead_that_reads_what_came_in_with_nothing_going_on_is_the_suspect(self) -> None:
        """Common practice, no source."""
        session = clamping(
            ("N0", "S1", 253.0), ("N1", "S5", 252.0), ("N5", "S6", 0.0), ("N5", "D5", 251.5)
        )
        place, chance = session.case.ranked(1)[0]
        assert place == D5
        assert chance > 0.95
        assert session.step.stage == "proving"

    def test_a_lead_that_reads_nothing_clears_the_device_but_not_the_splice(self) -> None:
        """Common practice, no source."""
        session = clamping(
            ("N0", "S1", 253.0), ("N1", "S5", 252.0), ("N5", "S5", 251.9), ("N5", "S6", 0.0)
        )
        lifted = session.observe(Clamp(node="N5", wire="D5", current_ma=0.0))
        assert lifted.case.chance_of(D5) < 0.2 * session.case.chance_of(D5)
        assert lifted.case.chance_of(Place("splice", "N5")) > 0.5


class TestSoundDevices:
    def test_a_sound_device_may_read_0_at_its_lead(self) -> None:
        """Common practice, no source: at the low voltage behind the coil, on a clamp of 1 mA."""
        path = drawing(PATH, [1.2] * 7)
        solved = solve(path, Condition(coil_ohm=COIL_OHM, faults=(SHORT,)))
        assert round(solved.current_ma("N2", "D2")) == 0

    def test_the_reading_falls_little_by_little_and_only_large_changes_mean_something(self) -> None:
        """Common practice, no source: by a milliamp or so every few splices on a short path.
        What the draws take on the way does not move the chance from beyond to before."""
        short = short_at("splice", "N12")
        solved = solve(LINE, Condition(coil_ohm=COIL_OHM, faults=(short,)))
        carried = [solved.current_ma(f"N{k}", f"S{k + 1}") for k in range(12)]
        falls = [a - b for a, b in pairwise(carried)]
        assert all(0.0 < fall < 2.0 for fall in falls)
        drive = Drive(tree_rehearsal(short, survey=LINE))
        drive.until(asks("clamp"))
        for k in (2, 5, 8):
            drive.tell(Clamp(node=f"N{k}", wire=f"S{k + 1}", current_ma=round(carried[k])))
        assert chance_within(drive.session.case, "N8", "S9") > 0.9


class TestTheController:
    def test_it_is_ruled_out_with_no_wire_on_it(self) -> None:
        """Common practice, no source."""
        drive = Drive(tree_rehearsal(SHORT))
        drive.once()
        step = drive.session.step
        assert (step.do, step.legs_on, step.stage) == ("message", (), "ruling-out")
        before = drive.session.case.chance_of(Place("controller"))
        drive.once()
        assert drive.session.case.chance_of(Place("controller")) < 0.1 * before

    def test_a_message_that_stays_with_no_wire_on_it_is_the_controllers_own(self) -> None:
        """Common practice, no source."""
        drive = Drive(tree_rehearsal(SHORT))
        drive.tell(Message(shown=True))
        while drive.session.done is None and len(drive.told) < 9:
            drive.tell(Message(shown=True, legs_on=()))
        verdict = drive.session.done
        assert verdict is not None
        assert verdict.outcome == "controller"
        assert not any(found.proved for found in verdict.found)

    def test_legs_are_told_apart_by_taking_one_off(self) -> None:
        """Common practice, no source: gone with S1 off, the fault is on S1."""
        drive = Drive(tree_rehearsal(SHORT))
        drive.tell(Message(shown=True))
        drive.tell(Message(shown=False, legs_on=("S7",)))
        assert chance_within(drive.session.case, "N0", "S1") > 0.85

    def test_it_may_clear_the_message_by_itself_a_fault_can_be_passing(self) -> None:
        """Common practice, no source: one look without the message ends nothing."""
        drive = Drive(tree_rehearsal(SHORT))
        drive.tell(Message(shown=False))
        assert drive.session.done is None
        assert drive.session.step.do == "message"
        drive.tell(Message(shown=True))
        assert drive.session.case.place_chance > 0.5


class TestOrderOfThings:
    def test_loops_are_opened_before_tracing_with_the_power_off(self) -> None:
        """Common practice, no source."""
        ring = tree_path(((0, 1), (1, 2), (2, 3), (3, 1)))
        drive = Drive(tree_rehearsal(short_at("splice", "N2"), survey=ring))
        step = drive.until(asks("open_joints"))
        assert not step.as_left.power
        assert not any(s.do in ("reference", "clamp") for s in drive.steps)

    def test_power_is_off_while_hands_are_in_the_controller(self) -> None:
        """Common practice, no source."""
        drive = Drive(tree_rehearsal(SHORT))
        drive.to_the_end()
        fitted = [step for step in drive.steps if step.do == "fit_coil"]
        assert fitted
        assert not any(step.as_left.power for step in fitted)

    def test_the_coil_is_in_before_the_path_is_energised_for_clamping(self) -> None:
        """Common practice, no source; and looks without it are few."""
        drive = Drive(tree_rehearsal(SHORT))
        drive.to_the_end()
        live = [s for s in drive.steps if s.do in ("reference", "clamp")]
        assert all(step.as_left.coil and step.as_left.power for step in live)
        assert sum(step.do == "message" for step in drive.steps) <= 3

    def test_proof_is_off_and_gone_on_and_back(self) -> None:
        """Common practice, no source: with the suspect off the current falls to a sound path's,
        with it on again it comes back."""
        drive = Drive(tree_rehearsal(SHORT))
        drive.to_the_end()
        proving = [
            (bool(step.as_left.isolated), seen.current_ma)
            for step, seen in zip(drive.steps, drive.told, strict=True)
            if isinstance(seen, Clamp) and step.stage == "proving" and step.wire == "S5"
        ]
        off = [ma for is_off, ma in proving if is_off]
        on = [ma for is_off, ma in proving if not is_off]
        assert off
        assert max(off) < 0.2 * min(on)
        assert not proving[-1][0]

    def test_going_half_way_out_first_is_what_is_asked(self) -> None:
        """Common practice, no source: on a straight path neither the first splice nor the last."""
        drive = Drive(tree_rehearsal(short_at("splice", "N11"), survey=LINE))
        step = drive.until(lambda s: s.do == "clamp" and s.node != "N0")
        assert 3 <= int(str(step.node)[1:]) <= 9

    def test_no_good_splice_is_cut_to_search(self) -> None:
        """Common practice, no source: cutting a good splice makes the next fault. Nothing is
        isolated until a suspect stands at 0.95, and then only that."""
        for fault in (SHORT, short_at("segment", "S3"), short_at("splice", "N6")):
            drive = Drive(tree_rehearsal(fault))
            drive.to_the_end()
            cuts = [step for step in drive.steps if step.do == "isolate"]
            assert cuts
            assert {step.at for step in cuts} == {fault.at}
            assert all(step.stage == "proving" for step in cuts)

    def test_power_on_without_the_coil_is_not_for_clamping(self) -> None:
        """Common practice, no source: overcurrent can damage the controller."""
        drive = Drive(tree_rehearsal(SHORT))
        drive.until(asks("fit_coil"))
        drive.tell(Power(on=True))
        assert drive.session.step.do == "power"
        assert drive.session.step.on is False
