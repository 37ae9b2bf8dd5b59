"""Who switches the power off before a place is taken out or put back is followed."""

from __future__ import annotations

import pytest

from faults.tracing.observations import Power
from faults.tracing.step import Step
from sites.network.faults import Fault
from tests.tracing.drives import Drive, proves, short_at, tree_rehearsal

AT_THE_PLACE = ("isolate", "restore")


def switched(drive: Drive, *, on: bool) -> None:
    """The power, unasked, on the ground and in the trace."""
    drive.ground.rig.switch(on=on)
    drive.tell(Power(on=on))


def played_dead(fault: Fault) -> tuple[Drive, list[Step]]:
    """A trace in which the power goes off before every place is taken out or put back."""
    drive = Drive(tree_rehearsal(fault))
    asked = []
    while drive.session.done is None and len(drive.told) < 120:
        wanted = drive.session.step
        if wanted.do in AT_THE_PLACE and drive.session.state.rig.power:
            switched(drive, on=False)
            after = drive.session.step
            assert (after.do, after.at) == (wanted.do, wanted.at)
            assert not any("through the coil" in said for said in after.cautions)
            asked.append(after)
        drive.once()
    return drive, asked


@pytest.mark.parametrize(("kind", "where"), [("device", "D5"), ("splice", "N6"), ("segment", "S3")])
def test_the_proof_goes_on_and_asks_for_the_power_before_the_next_reading(
    kind: str, where: str
) -> None:
    fault = short_at(kind, where)
    drive, asked = played_dead(fault)
    assert len(asked) >= 2
    verdict = drive.session.done
    assert verdict is not None
    assert verdict.outcome == "proved"
    assert verdict.found[0].at == fault.at
    for step, after in zip(drive.steps, drive.steps[1:], strict=False):
        if step.do in AT_THE_PLACE:
            assert (after.do, after.on, after.stage) == ("power", True, "proving")


def test_switching_costs_the_minutes_of_the_way_and_back() -> None:
    live = Drive(tree_rehearsal(short_at("device", "D5")))
    live.to_the_end()
    dead, asked = played_dead(short_at("device", "D5"))
    more = dead.session.state.minutes - live.session.state.minutes
    assert more > 2 * len(asked) * dead.session.problem.costs.same_place_min


def test_off_before_a_reading_asks_for_it_on_again() -> None:
    drive = Drive(tree_rehearsal(short_at("device", "D5")))
    step = drive.until(lambda s: proves(s) and s.do == "clamp")
    switched(drive, on=False)
    assert (drive.session.step.do, drive.session.step.on) == ("power", True)
    drive.once()
    again = drive.session.step
    assert (again.do, again.node, again.wire) == (step.do, step.node, step.wire)
