"""What a proof makes of readings that do not agree, and of a place that was cut off."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from faults.tracing.observations import Clamp, Observation
from faults.tracing.proof_course import CUT_OFF, CablesCounted, NextTest, ProofCourse
from faults.tracing.step import Step, Verdict
from faults.tracing.watch import LoggedReading
from sites.network.elements import WirePath
from tests.tracing.drives import Drive, asks, short_at, tree_rehearsal
from tests.tracing.test_proof import ended, is_proved

S3 = short_at("segment", "S3")
HEAVY_MA = 25.0


def drawing_more(path: WirePath) -> WirePath:
    """Devices that draw enough beyond a place to be missed when they are cut off with it."""
    return replace(
        path, devices=tuple(replace(device, draw_ma=HEAVY_MA) for device in path.devices)
    )


def heavy_drive() -> Drive:
    rehearsal = tree_rehearsal(S3)
    return Drive(replace(rehearsal, survey=drawing_more(rehearsal.survey), actual=None))


def cut_off(step: Step, observation: Observation) -> Observation:
    """As if all beyond the suspect were off with it."""
    if isinstance(observation, Clamp) and "off" in step.why and step.stage == "proving":
        return replace(observation, current_ma=0.0)
    return observation


def test_the_devices_beyond_are_there_when_the_path_is_rejoined() -> None:
    drive = heavy_drive()
    verdict = drive.to_the_end()
    assert is_proved(verdict)
    assert verdict.found[0].at == S3.at


def test_a_cut_proves_nothing_and_is_said() -> None:
    drive = heavy_drive()
    drive.tamper = cut_off
    verdict = drive.to_the_end()
    assert not is_proved(verdict)
    assert "cut off" in (verdict.reason or "")
    assert verdict.as_left.isolated == ()


def course(
    log: tuple[LoggedReading, ...], *, off_now: bool, besides: tuple[str, ...] = ()
) -> NextTest:
    """What comes next in the proof of S3 on a path of heavy devices after these readings;
    ``besides``: more wires that go on from there."""
    drive = heavy_drive()
    drive.until(asks("isolate"))
    case, suspect = drive.session.case, S3.at
    examiner = case.examiner(suspect)
    rivals = examiner.rivals
    examiner = replace(examiner, rivals=replace(rivals, wires=(*rivals.wires, *besides)))
    whole = (*case.state.log, *log)
    members = np.ones(len(examiner.rivals.wires) + 2)
    return ProofCourse(
        examiner=examiner,
        log=whole,
        off_now=off_now,
        sitting=whole[-1].sitting,
        counted=CablesCounted(2, 0, stray_absent=True),
        comes_and_goes=False,
        weights=examiner.weigh(whole, members, isolated_only=False),
        chance=1.0,
    ).next()


def taken_off(sitting: int, *current_ma: float) -> tuple[LoggedReading, ...]:
    return tuple(
        LoggedReading("N2", "S3", ma, frozenset({S3.at}), sitting, proving=True)
        for ma in current_ma
    )


def put_back(sitting: int, current_ma: float) -> tuple[LoggedReading, ...]:
    return (LoggedReading("N2", "S3", current_ma, frozenset(), sitting, proving=True),)


def test_a_cut_is_put_back_and_taken_off_once_more_with_the_path_rejoined() -> None:
    asked = course(taken_off(101, 0.0, 1.0), off_now=True)
    assert asked.act == "restore"
    assert CUT_OFF in asked.why
    once = taken_off(101, 0.0, 1.0) + put_back(102, 240.0) + put_back(102, 240.0)
    asked = course(once, off_now=False)
    assert asked.act == "isolate"
    assert "rejoined" in asked.why
    twice = once + taken_off(103, 0.0, 1.0) + put_back(104, 240.0) + put_back(104, 240.0)
    assert course(twice, off_now=False) == NextTest("stuck", why=CUT_OFF)


def test_one_low_reading_of_three_is_no_cut() -> None:
    asked = course(taken_off(101, 25.0, 0.0, 25.0), off_now=True)
    assert asked.act == "restore"
    assert CUT_OFF not in asked.why


def at_the_return(reading_ma: list[float]) -> tuple[Verdict | None, int]:
    """A trace whose readings with the suspect on again are these, then no more: the verdict,
    and how many were asked for."""
    drive = Drive(tree_rehearsal(S3))
    drive.until(asks("restore"))
    drive.once()
    for count, current_ma in enumerate(reading_ma, start=1):
        step = drive.session.step
        assert step.do == "clamp"
        drive.tell(Clamp(node=step.node, wire=step.wire, current_ma=current_ma))
        if drive.session.done is not None:
            return drive.session.done, count
    return None, len(reading_ma)


def test_one_return_reading_is_enough_where_all_agreed() -> None:
    high = ended(S3)[1]
    returned = [o.current_ma for o in high.told if isinstance(o, Clamp)][-1]
    verdict, count = at_the_return([returned])
    assert count == 1
    assert is_proved(verdict)


def test_a_return_reading_is_repeated_where_an_earlier_one_said_otherwise() -> None:
    plain = Drive(tree_rehearsal(S3))
    plain.until(asks("isolate"))
    watched = [o for s, o in zip(plain.steps, plain.told, strict=True) if s.stage == "proving"]
    clamp = next(o for o in watched if isinstance(o, Clamp) and o.wire == "S3")
    drive = Drive(tree_rehearsal(S3))
    drive.until(asks("isolate"))
    # Two that say otherwise before the suspect is taken off.
    for _ in range(2):
        drive.tell(replace(clamp, current_ma=0.0))
    asked_after = 0
    while drive.session.done is None and asked_after < 60:
        if drive.session.step.do == "clamp" and drive.steps[-1].do in ("restore", "clamp"):
            asked_after += drive.session.step.why.startswith("what comes in did not read alike")
        drive.once()
    assert asked_after >= 1
    verdict = drive.session.done
    assert verdict is not None
    assert not verdict.found or verdict.found[0].at == S3.at or not is_proved(verdict)


def test_a_box_of_many_wires_is_not_given_up_before_each_was_read() -> None:
    leads = tuple(f"L{number}" for number in range(60))
    read = tuple(
        LoggedReading("N3", lead, 1.0, frozenset(), 0, proving=True) for lead in leads[:-1]
    )
    following = course(read, off_now=False, besides=leads)
    assert (following.act, following.wire) == ("clamp", leads[-1])
