"""What a step and an ending tell in words: what is cleared, what is left, why it ended."""

from __future__ import annotations

import re

import pytest

from faults.management.walkthrough import Walkthrough
from faults.rehearsal.play import PlayedStep
from faults.tracing.observations import Clamp
from faults.tracing.step import headline
from tests.tracing.drives import Drive, asks, short_at, tree_rehearsal


def test_places_that_are_cleared_are_not_counted_as_beyond_a_wire() -> None:
    """All that S2 feeds reads as cleared, twice; what S1 feeds holds it too."""
    drive = Drive(tree_rehearsal(short_at("device", "D6")))
    drive.until(asks("clamp"))
    for _ in range(2):
        drive.tell(Clamp(node="N1", wire="S2", current_ma=0.0))
    case = drive.session.case
    point, view = case.posterior.hypotheses.point, case.posterior.view
    edge = view.edge_of_wire[("N1", "S2")]
    cleared = int(((point >= edge) & (point < view.last[edge])).sum())
    assert cleared > 5
    edge = view.edge_of_wire[("N0", "S1")]
    beyond = int(((point >= edge) & (point < view.last[edge])).sum())
    drive.until(lambda step: step.do == "clamp" and (step.node, step.wire) != ("N1", "S2"))
    step = drive.session.step
    told = re.search(r"beyond it \((\d+) places? still suspected\)", step.why)
    assert told, step.why
    assert 1 <= int(told[1]) <= beyond - cleared


def test_every_suspect_is_told_with_its_chance_and_the_rest_together() -> None:
    drive = Drive(tree_rehearsal(short_at("device", "D6")))
    step = drive.until(asks("clamp"))
    answer = drive.ground.answer(step)
    lines = Walkthrough(drive.rehearsal.survey).step_lines(PlayedStep(step, answer, 1.0))
    told = " ".join(" ".join(lines).split())
    assert len(step.suspects) > 3
    for suspect in step.suspects:
        assert f"{suspect.at.id} " in told
        assert f"{suspect.chance:.3f}" in told
    shown = sum(suspect.chance for suspect in step.suspects)
    assert f"all others together {1.0 - shown:.3f} (before this)" in told


@pytest.mark.parametrize(
    ("reason", "head", "rest"),
    [
        ("they do not agree on a place", "they do not agree on a place", ""),
        (
            "not counted: one may hang there; count them",
            "not counted",
            "one may hang there; count them",
        ),
        ("gone; come back: when wet", "gone", "come back: when wet"),
        ("Thunder about.", "Thunder about", ""),
        ("x" * 101, "", "x" * 101),
        ("", "", ""),
    ],
)
def test_the_headline_of_a_reason_is_its_first_clause(reason: str, head: str, rest: str) -> None:
    assert headline(reason) == (head, rest)
