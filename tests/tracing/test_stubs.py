"""A short on a segment one end of which is open: what closed a loop, or never was joined."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sites.network.faults import Place
from tests.tracing.drives import Drive, short_at, tree_path, tree_rehearsal

RING = tree_path(((0, 1), (1, 2), (2, 3), (3, 1), (3, 4)))  # S4 closes a loop, N3 to N1


def proved_by(drive: Drive) -> Place:
    (found,) = drive.to_the_end().found
    assert found.proved
    return found.at


@pytest.mark.parametrize("segment", ["S2", "S3", "S4", "S5"])
def test_a_short_on_any_segment_of_a_loop_is_proved(segment: str) -> None:
    drive = Drive(tree_rehearsal(short_at("segment", segment), survey=RING))
    assert proved_by(drive) == Place("segment", segment)


@pytest.mark.parametrize("end", ["from", "to"])
def test_so_is_one_on_a_segment_whose_joint_the_map_has_open(end: str) -> None:
    cut = tuple(replace(s, joint_open=end) if s.id == "S4" else s for s in RING.segments)
    drive = Drive(tree_rehearsal(short_at("segment", "S4"), survey=replace(RING, segments=cut)))
    assert proved_by(drive) == Place("segment", "S4")
    home = "N1" if end == "from" else "N3"
    proof = [step for step in drive.steps if step.stage == "proving" and step.do == "clamp"]
    assert {(step.node, step.wire) for step in proof} == {(home, "S4")}
