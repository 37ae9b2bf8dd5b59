"""The rig as a fold over observations: what each leaves behind, and what striking undoes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from faults.tracing.observations import (
    Alone,
    Cannot,
    Clamp,
    ClampSet,
    CloseJoints,
    FitCoil,
    Isolate,
    Message,
    Observation,
    OpenJoints,
    Power,
    Reference,
    Restore,
    Strike,
    TagReading,
)
from faults.tracing.rig import (
    IllegalReplayError,
    Rig,
    as_left,
    replay,
    rig_after,
    rig_at_start,
    rig_condition,
    rig_refusal,
    struck_numbers,
)
from faults.tracing.step import AsLeft
from sites.network.faults import Place
from tests.tracing.small_path import SMALL_PATH

D1, D3 = Place("device", "D1"), Place("device", "D3")
LOOP_JOINT = ("S4", "to")
OTHER_JOINT = ("S4", "from")

READY = Rig(power=True, coil=True, joints_open=frozenset({LOOP_JOINT}), isolated=frozenset({D3}))
OFF = replace(READY, power=False)
LOOKING = replace(READY, coil=False)


class TestLegs:
    def test_a_message_leaves_the_legs_as_they_were_named(self) -> None:
        only_s1 = rig_after(LOOKING, Message(shown=True, legs_on=("S1",)), SMALL_PATH)
        assert only_s1.legs_off == {"S3"}
        none_on = rig_after(only_s1, Message(shown=False, legs_on=()), SMALL_PATH)
        assert none_on.legs_off == {"S1", "S3"}
        assert none_on.power  # switched on again within the step
        assert rig_after(none_on, Message(shown=True), SMALL_PATH).legs_off == frozenset()

    def test_a_reference_leaves_the_legs_as_they_were_named(self) -> None:
        one_off = replace(READY, legs_off=frozenset({"S1"}))
        assert not rig_after(one_off, Reference(current_ma=9.0), SMALL_PATH).legs_off
        named = Reference(current_ma=9.0, legs_on=("S1",))
        assert rig_after(one_off, named, SMALL_PATH).legs_off == {"S3"}

    def test_a_clamp_must_name_the_legs_that_are_on(self) -> None:
        one_off = replace(READY, legs_off=frozenset({"S3"}))
        silent = Clamp(node="N1", wire="S1", current_ma=9.0)
        refusal = rig_refusal(one_off, silent, SMALL_PATH)
        assert refusal is not None
        assert refusal.pointer == "/legs_on"
        assert "the legs on are ['S1']" in refusal.problem
        named = replace(silent, legs_on=("S1",))
        assert rig_refusal(one_off, named, SMALL_PATH) is None
        assert rig_refusal(READY, named, SMALL_PATH) is not None
        assert rig_refusal(READY, replace(silent, legs_on=("S3", "S1")), SMALL_PATH) is None


def test_alone_leaves_the_power_off_and_everything_else_as_it_was() -> None:
    after = rig_after(OFF, Alone(at=D1, current_ma=250.0), SMALL_PATH)
    assert after == OFF


def test_a_trace_by_the_book_leaves_what_it_left() -> None:
    """The state at the end worked out by hand from the survey form's meaning of each step."""
    done: list[Observation] = [
        Power(on=False),
        OpenJoints(done=(LOOP_JOINT,)),
        Power(on=True),
        Message(shown=True),
        Message(shown=False, legs_on=("S3",)),
        Power(on=False),
        FitCoil(fitted=True),
        Power(on=True),
        Reference(current_ma=147.0),
        Clamp(node="N0", wire="S1", current_ma=146.0),
        ClampSet(
            node="N1",
            readings=(TagReading(tag="1", current_ma=145.0), TagReading(tag="2", current_ma=3.0)),
        ),
        Isolate(at=Place("segment", "S2")),
        Isolate(at=D1),
        Restore(at=Place("segment", "S2")),
        Cannot(node="N2", why="flooded"),
    ]
    assert as_left(replay(SMALL_PATH, done)) == AsLeft(
        power=True,
        coil=True,
        legs_off=(),
        joints_open=(LOOP_JOINT,),
        isolated=(D1,),
        lids_up=("N1", "N2", "N3"),  # N3 by the joint, N2 by the far end of S2
        tags=(("N1", "1"), ("N1", "2")),
    )


def test_joints_that_the_survey_has_open_are_open_and_can_be_closed() -> None:
    segments = tuple(
        replace(segment, joint_open="to") if segment.id == "S4" else segment
        for segment in SMALL_PATH.segments
    )
    path = replace(SMALL_PATH, segments=segments)
    rig = rig_at_start(path)
    assert as_left(rig).joints_open == (LOOP_JOINT,)
    assert rig_condition(rig, path, 40 + 100j).joints_open == frozenset()
    off = rig_after(rig, Power(on=False), path)
    refusal = rig_refusal(off, OpenJoints(done=(LOOP_JOINT,)), path)
    assert refusal is not None
    closed = rig_after(off, CloseJoints(done=(LOOP_JOINT,)), path)
    condition = rig_condition(closed, path, 40 + 100j)
    assert condition.joints_closed == {LOOP_JOINT}
    assert condition.coil_ohm is None  # the coil is out
    opened = rig_after(closed, OpenJoints(done=(OTHER_JOINT,)), path)
    assert rig_condition(opened, path, None).joints_open == {OTHER_JOINT}
    with_coil = rig_after(opened, FitCoil(fitted=True), path)
    assert rig_condition(with_coil, path, 40 + 100j).coil_ohm == 40 + 100j


class TestStrike:
    CLAMPING: tuple[Observation, ...] = (
        Power(on=False),
        FitCoil(fitted=True),
        Power(on=True),
        Clamp(node="N1", wire="S1", current_ma=146.0),
        Isolate(at=D3),
    )

    def test_a_struck_reading_leaves_its_lid_up(self) -> None:
        rig = replay(SMALL_PATH, (*self.CLAMPING, Strike(step=4)))
        assert rig.lids_up == {"N1", "N3"}

    def test_a_struck_act_was_not_done(self) -> None:
        rig = replay(SMALL_PATH, (*self.CLAMPING, Strike(step=5)))
        assert rig.isolated == frozenset()
        assert rig.lids_up == {"N1"}

    def test_a_struck_strike_does_nothing(self) -> None:
        done = (*self.CLAMPING, Strike(step=5), Strike(step=6))
        assert struck_numbers(done) == {6}
        assert replay(SMALL_PATH, done).isolated == {D3}

    def test_what_rests_on_a_struck_act_is_named(self) -> None:
        with pytest.raises(IllegalReplayError) as caught:
            replay(SMALL_PATH, (*self.CLAMPING, Strike(step=2)))
        assert caught.value.number == 4
        assert "coil is out" in caught.value.refusal.problem

    def test_a_step_that_was_not_answered_cannot_be_struck(self) -> None:
        with pytest.raises(IllegalReplayError, match="has not been answered"):
            replay(SMALL_PATH, (*self.CLAMPING, Strike(step=6)))


def test_replay_stops_at_the_first_illegal_observation() -> None:
    with pytest.raises(IllegalReplayError) as caught:
        replay(SMALL_PATH, (Message(shown=True), Reference(current_ma=147.0)))
    assert caught.value.number == 2
