"""What it takes to prove a place: every rule, tried by a field that leaves it unmet."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from faults.tracing.case import Case
from faults.tracing.observations import (
    Cannot,
    Clamp,
    FitCoil,
    Isolate,
    Message,
    Observation,
    Power,
    Restore,
)
from faults.tracing.problem import Meter
from faults.tracing.proof import BARE_CUT, TEST_CAP, Examiner
from faults.tracing.proof_course import CablesCounted, NextTest, ProofCourse
from faults.tracing.step import Step, Verdict
from faults.tracing.watch import LoggedReading
from sites.network.faults import Fault, Place
from tests.tracing.drives import (
    Drive,
    Tamper,
    asks,
    proves,
    short_at,
    tree_path,
    tree_rehearsal,
)

D5, N2 = Place("device", "D5"), Place("splice", "N2")
SHORT_D5, SHORT_N2 = short_at("device", "D5"), short_at("splice", "N2")


def ended(*faults: Fault, tamper: Tamper | None = None) -> tuple[Verdict, Drive]:
    drive = Drive(tree_rehearsal(*faults))
    if tamper is not None:
        drive.tamper = tamper
    return drive.to_the_end(), drive


@cache
def plain(fault: Fault) -> tuple[Verdict, Drive]:
    """The trace of one fault whose field does as it is asked; not to be driven further."""
    return ended(fault)


def is_proved(verdict: Verdict | None) -> bool:
    return verdict is not None and (
        verdict.outcome == "proved" or any(found.proved for found in verdict.found)
    )


def states_read(drive: Drive, at: Place) -> list[str]:
    """Runs of readings and acts at a suspect: on, off, on, ... as the proof saw them."""
    seen: list[str] = []
    off = False
    for step, observation in zip(drive.steps, drive.told, strict=True):
        if isinstance(observation, (Isolate, Restore)) and observation.at == at:
            off = isinstance(observation, Isolate)
        elif step.stage == "proving" and isinstance(observation, Clamp):
            word = "off" if off else "on"
            if not seen or seen[-1] != word:
                seen.append(word)
    return seen


class TestWhatAProofHolds:
    def test_a_device_is_read_on_off_on_off_and_on_again(self) -> None:
        verdict, drive = plain(SHORT_D5)
        assert is_proved(verdict)
        assert verdict.found[0].at == D5
        assert verdict.found[0].chance >= 0.999
        assert states_read(drive, D5) == ["on", "off", "on", "off", "on"]

    def test_a_splice_and_a_segment_are_taken_off_once_at_least(self) -> None:
        for fault in (SHORT_N2, short_at("segment", "S5")):
            verdict, drive = plain(fault)
            assert is_proved(verdict)
            assert states_read(drive, fault.at)[:3] == ["on", "off", "on"]

    def test_nothing_is_left_off_by_a_proof(self) -> None:
        verdict, _ = plain(SHORT_D5)
        assert verdict.as_left.isolated == ()
        assert verdict.as_left.coil
        assert verdict.as_left.lids_up  # hand-over asks for each

    def test_both_sides_are_read_afresh_before_anything_is_taken_off(self) -> None:
        _, drive = plain(SHORT_N2)
        before = []
        for step in drive.steps:
            if step.do == "isolate":
                break
            if step.stage == "proving":
                before.append(step.wire)
        assert {"S2", "S3", "S4", "D2"} <= set(before)


class TestNotProvedWithout:
    def test_the_off_test(self) -> None:
        """However often the suspect reads high while it is on."""
        drive = Drive(tree_rehearsal(SHORT_D5))
        drive.until(asks("isolate"))
        assert drive.session.case.chance_of(D5) > 0.999
        for _ in range(6):
            assert not is_proved(drive.session.done)
            drive.tell(Clamp(node="N5", wire="S5", current_ma=251.9))
            drive.tell(Clamp(node="N5", wire="D5", current_ma=251.6))
        assert not is_proved(drive.session.done)

    def test_a_reading_while_it_is_off(self) -> None:
        drive = Drive(tree_rehearsal(SHORT_D5))
        drive.until(asks("isolate"))
        drive.once()
        drive.tell(Restore(at=D5))
        for _ in range(3):
            drive.tell(Clamp(node="N5", wire="S5", current_ma=251.9))
            assert not is_proved(drive.session.done)
        assert drive.session.step.do in ("clamp", "isolate")

    def test_the_return_of_the_current(self) -> None:
        taken_off = False

        def never_back(step: Step, seen: Observation) -> Observation:
            nonlocal taken_off
            taken_off |= isinstance(seen, Isolate)
            if taken_off and isinstance(seen, Clamp) and step.stage == "proving":
                return replace(seen, current_ma=16.0)
            return seen

        verdict, drive = ended(SHORT_D5, tamper=never_back)
        assert taken_off
        assert verdict.outcome == "unproved"
        assert not is_proved(verdict)
        assert verdict.reason
        assert drive.session.state.rig.isolated == frozenset()

    def test_the_restoring(self) -> None:
        drive = Drive(tree_rehearsal(SHORT_D5))
        drive.until(asks("restore"))
        assert not is_proved(drive.session.done)
        assert "off" in states_read(drive, D5)


class TestMessageWithTheSuspectOff:
    """Common practice, no source: with the fault isolated the message stays away."""

    def looked(self, shown: tuple[bool, ...], **changes: Any) -> Verdict:
        """A proof in the middle of which the suspect, off, is looked at without the coil."""
        drive = Drive(tree_rehearsal(SHORT_D5, **changes))
        drive.until(asks("restore"))
        for told in (Power(on=False), FitCoil(fitted=False), Power(on=True)):
            drive.tell(told)
        for one in shown:
            drive.tell(Message(shown=one))
        for told in (Power(on=False), FitCoil(fitted=True), Power(on=True)):
            drive.tell(told)
        drive.steps.extend(drive.steps[:1] * 12)  # what was told without being asked
        return drive.to_the_end()

    def test_most_looks_that_show_it_leave_it_unproved(self) -> None:
        for shown in ((True,), (True,) * 6, (True, False, True)):
            verdict = self.looked(shown)
            assert verdict.outcome == "unproved"
            assert "off" in verdict.reason

    def test_a_look_that_is_outvoted_or_shows_nothing_takes_nothing_back(self) -> None:
        for shown in ((False, False), (True, False, False)):
            assert is_proved(self.looked(shown))

    def test_a_path_that_draws_near_its_trip_may_show_it_all_the_same(self) -> None:
        near = replace(tree_path(), trip_ma=150.0)
        assert is_proved(self.looked((True, True), survey=near))


class TestOffThatDoesNotFall:
    def test_the_suspect_is_given_up_and_put_back(self) -> None:
        def same_off(step: Step, seen: Observation) -> Observation:
            if step.as_left.isolated and isinstance(seen, Clamp):
                return replace(seen, current_ma=251.0)
            return seen

        verdict, drive = ended(SHORT_D5, tamper=same_off)
        assert not is_proved(verdict)
        restored = [step for step in drive.steps if step.do == "restore"]
        assert [step.at for step in restored] == [D5]
        assert verdict.as_left.isolated == ()
        assert drive.session.case.chance_of(D5) < 0.5

    def test_a_single_reading_that_does_not_fall_is_asked_for_again(self) -> None:
        misread = False

        def once_wrong(step: Step, seen: Observation) -> Observation:
            nonlocal misread
            if step.as_left.isolated and isinstance(seen, Clamp) and not misread:
                misread = True
                return replace(seen, current_ma=251.0)
            return seen

        verdict, _ = ended(SHORT_D5, tamper=once_wrong)
        assert misread
        assert is_proved(verdict)
        assert verdict.found[0].at == D5


def test_what_comes_and_goes_needs_more() -> None:
    """A look that did not show it: off and on once more than for what always shows."""
    _, always = plain(SHORT_D5)
    drive = Drive(tree_rehearsal(SHORT_D5))
    drive.once()
    drive.tell(Message(shown=False))
    drive.tell(Message(shown=True))
    assert drive.session.case.comes_and_goes
    drive.steps.extend(drive.steps[:1] * 2)  # what was told without being asked
    verdict = drive.to_the_end()
    assert is_proved(verdict)
    offs = states_read(drive, D5).count("off")
    assert offs == 3
    assert offs > states_read(always, D5).count("off")


class TestWhatCannotBeTold:
    def test_a_meter_too_coarse_for_it_ends_unproved(self) -> None:
        coarse = Meter(percent=1.0, counts=12.0, resolution_ma=10.0)
        verdict = Drive(tree_rehearsal(SHORT_D5, meter=coarse)).to_the_end()
        assert verdict.outcome == "unproved"
        assert verdict.reason

    def test_on_and_off_alike_is_stuck_at_once(self) -> None:
        examiner, case = examined(D5)
        alike = replace(examiner.expected, off_ma=examiner.expected.on_ma - 3.0)
        assert asked(with_expected(examiner, alike), case).act == "stuck"
        assert asked(examiner, case).act != "stuck"

    @pytest.mark.parametrize("do", ["isolate", "restore"])
    def test_a_place_that_cannot_be_worked_at_ends_unproved(self, do: str) -> None:
        def no_way(step: Step, seen: Observation) -> Observation:
            return Cannot(node="N5", why="flooded") if step.do == do else seen

        verdict, _ = ended(SHORT_D5, tamper=no_way)
        assert verdict.outcome == "unproved"
        assert verdict.reason
        assert verdict.as_left.isolated == ((D5,) if do == "restore" else ())


@cache
def examined(suspect: Place) -> tuple[Examiner, Case]:
    """The examiner of a suspect just before it is taken off, and the case."""
    drive = Drive(tree_rehearsal(Fault("short", suspect, resistance_ohm=2.0)))
    drive.until(asks("isolate"))
    case = drive.session.case
    return case.examiner(suspect), case


def with_expected(examiner: Examiner, expected: object) -> Examiner:
    return Examiner(
        suspect=examiner.suspect,
        watch=examiner.watch,
        far=examiner.far,
        rivals=examiner.rivals,
        expected=expected,  # type: ignore[arg-type]
        beliefs=examiner.beliefs,
        counted_log=examiner.counted_log,
    )


def asked(examiner: Examiner, case: Case) -> NextTest:
    members = np.ones(len(examiner.rivals.wires) + 2)
    return ProofCourse(
        examiner=examiner,
        log=case.state.log,
        off_now=False,
        sitting=case.state.sitting,
        counted=CablesCounted(2, 0, stray_absent=True),
        comes_and_goes=False,
        weights=examiner.weigh(case.state.log, members, isolated_only=False),
        chance=1.0,
    ).next()


class TestWeights:
    def off_log(self, examiner: Examiner, many: int) -> tuple[LoggedReading, ...]:
        watch, isolated = examiner.watch, frozenset({examiner.suspect})
        off_ma = examiner.expected.off_ma
        reading = LoggedReading(watch.node, watch.wire, off_ma, isolated, 1, proving=True)
        return (reading,) * many

    def test_a_bare_cut_is_never_ruled_out_by_the_off_readings_alone(self) -> None:
        """Cutting a splice clears the current for all beyond it: however often that is read, it
        says no more than 1 in 20 against what lies beyond."""
        examiner, _ = examined(N2)
        members = np.ones(len(examiner.rivals.wires) + 2)
        for many in (1, 4, 12):
            weights = examiner.weigh(self.off_log(examiner, many), members, isolated_only=True)
            for group, wire in enumerate(examiner.rivals.wires, start=2):
                if wire is not None:
                    assert weights.against[group] <= math.log(1.0 / BARE_CUT) + 1e-9

    def test_lifting_a_lead_cuts_nothing_off(self) -> None:
        examiner, _ = examined(D5)
        members = np.ones(len(examiner.rivals.wires) + 2)
        weights = examiner.weigh(self.off_log(examiner, 4), members, isolated_only=True)
        assert weights.against[examiner.rivals.wires.index("S6") + 2] > math.log(100.0)

    def test_one_test_counts_for_99_to_1_at_most(self) -> None:
        examiner, _ = examined(D5)
        members = np.ones(len(examiner.rivals.wires) + 2)
        weights = examiner.weigh(self.off_log(examiner, 1), members, isolated_only=True)
        assert weights.against.max() <= math.log(TEST_CAP) + 1e-9
        assert weights.against_other <= math.log(TEST_CAP) + 1e-9
        assert weights.least < 100.0  # so that one test alone never proves

    def test_an_off_reading_that_stays_high_speaks_against_the_suspect(self) -> None:
        examiner, _ = examined(D5)
        members = np.ones(len(examiner.rivals.wires) + 2)
        high = replace(self.off_log(examiner, 1)[0], current_ma=examiner.expected.on_ma)
        weights = examiner.weigh((high,), members, isolated_only=True)
        assert weights.against[1] < 0.0
        assert weights.least < 1.0

    def test_groups_without_anyone_in_them_are_no_rivals(self) -> None:
        examiner, _ = examined(D5)
        members = np.ones(len(examiner.rivals.wires) + 2)
        members[1] = 0.0
        weights = examiner.weigh(self.off_log(examiner, 1), members, isolated_only=True)
        assert weights.against[1] == np.inf


def test_a_suspect_is_only_suspected_until_the_proof_is_done() -> None:
    drive = Drive(tree_rehearsal(SHORT_D5))
    step = drive.until(proves)
    assert step.suspects[0].at == D5
    assert step.suspects[0].chance >= 0.95
    assert drive.session.done is None
    assert not any(found.proved for found in drive.session.case.suspects(3))
