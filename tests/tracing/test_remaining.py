"""The minutes still to expect: what is left to prepare, to search and to prove."""

from __future__ import annotations

from dataclasses import replace

import pytest

from faults.tracing.travel import isolate_minutes
from sites.network.faults import Place
from tests.tracing.drives import Drive, asks, short_at, tree_path, tree_rehearsal

SHORTS = [("device", "D5"), ("splice", "N4"), ("segment", "S5")]


def drive_of(kind: str, name: str) -> Drive:
    return Drive(tree_rehearsal(short_at(kind, name)))


def test_before_the_first_wire_each_act_takes_its_own_minutes_off() -> None:
    drive = drive_of("device", "D5")
    said, took = [], []
    while drive.session.step.do != "clamp":
        step = drive.session.step
        said.append(step.remaining_p50_min)
        took.append(step.step_minutes)
        drive.once()
    assert sum(took) > 15.0
    # The looks also move the chance that it is no place at all, and with it the proof to come.
    for i in range(1, len(said)):
        assert said[0] - said[i] == pytest.approx(sum(took[:i]), abs=3.0)


def test_search_and_proof_are_in_it_from_the_first_step_on() -> None:
    drive = drive_of("device", "D5")
    first = drive.session.step
    before_min = 2 * 4.0 + 2 * 4.0 + 3 * 0.5  # looks, coil and reference, switching
    proof_min = 4 * isolate_minutes(drive.session.problem.costs, Place("device", "D5"))
    assert first.remaining_p50_min > before_min + proof_min
    assert first.remaining_p90_min > first.remaining_p50_min + 60.0, "it may be a buried segment"


def test_another_wire_at_the_same_place_keeps_the_search_in_it() -> None:
    drive = Drive(tree_rehearsal(short_at("segment", "S5")))
    drive.until(asks("clamp"))
    found = []
    while drive.session.step.stage == "following":
        act = drive.session.act
        choice = getattr(act, "choice", None)
        if choice is not None and not choice.remaining_min:
            found.append(drive.session.step)
        drive.once()
    assert found, "no wire was read where one stood already"
    assert all(step.remaining_p90_min > step.step_minutes + 20.0 for step in found)


@pytest.mark.parametrize(("kind", "name"), SHORTS)
def test_a_proof_is_told_to_a_few_readings(kind: str, name: str) -> None:
    drive = drive_of(kind, name)
    drive.until(lambda step: step.stage == "proving")
    said, at_min = [], []
    while drive.session.done is None:
        step = drive.session.step
        said.append((step.remaining_p50_min, step.remaining_p90_min))
        at_min.append(drive.session.state.minutes)
        drive.once()
    end_min = drive.session.done.minutes
    assert drive.session.done.outcome == "proved"
    for (p50, p90), began in zip(said, at_min, strict=True):
        assert end_min - began == pytest.approx(p50, abs=2.0)
        assert p50 < p90


def test_what_is_hard_to_get_at_is_in_it() -> None:
    path = tree_path()
    buried = tuple(n if n.id == "N0" else replace(n, access="buried") for n in path.nodes)
    boxes = Drive(tree_rehearsal(short_at("device", "D5"))).session.step
    dug = Drive(
        tree_rehearsal(short_at("device", "D5"), survey=replace(path, nodes=buried))
    ).session.step
    assert dug.remaining_p50_min > boxes.remaining_p50_min + 45.0
