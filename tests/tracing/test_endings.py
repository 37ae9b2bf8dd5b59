"""How a trace goes round what cannot be done, and ends where it cannot know: with a reason."""

from __future__ import annotations

from dataclasses import replace

import pytest

from faults.tracing.observations import (
    Cannot,
    Clamp,
    FitCoil,
    Isolate,
    Observation,
    OpenJoints,
    Power,
)
from faults.tracing.state import LEAKAGE_ONLY
from faults.tracing.step import Step
from sites.network.elements import WirePath
from sites.network.faults import Fault, Place
from tests.tracing.drives import Drive, asks, short_at, tree_path, tree_rehearsal

SHORT = short_at("device", "D5")
SHORT_AT_D4 = short_at("device", "D4")
RING = tree_path(((0, 1), (1, 2), (2, 3), (3, 1), (3, 4)))  # S4 closes a loop, N3 to N1


class TestCannot:
    def test_a_node_that_cannot_be_reached_is_gone_around(self) -> None:
        """The first node that is gone to is flooded; the fault lies elsewhere."""
        flooded: list[str] = []

        def first_box(step: Step, seen: Observation) -> Observation:
            if step.node not in (None, "N0") and (not flooded or step.node in flooded):
                flooded.append(str(step.node))
                return Cannot(node=str(step.node), why="flooded")
            return seen

        drive = Drive(tree_rehearsal(short_at("device", "D6")), tamper=first_box)
        verdict = drive.to_the_end()
        assert len(flooded) == 1
        assert flooded != ["N6"]
        assert [(f.at, f.proved) for f in verdict.found] == [(Place("device", "D6"), True)]

    def test_the_suspects_own_place_closed_ends_unproved_with_it_named(self) -> None:
        def locked(step: Step, seen: Observation) -> Observation:
            return Cannot(node="N6", why="locked") if step.node == "N6" else seen

        drive = Drive(tree_rehearsal(short_at("device", "D6")), tamper=locked)
        verdict = drive.to_the_end()
        assert verdict.outcome == "unproved"
        assert verdict.reason
        assert not any(found.proved for found in verdict.found)
        assert {f.at.id for f in verdict.found} <= {"D6", "N6", "S6"}

    @pytest.mark.parametrize("do", ["message", "reference", "fit_coil", "power"])
    def test_what_cannot_be_done_at_the_controller_is_not_asked_for_ever(self, do: str) -> None:
        def shut(step: Step, seen: Observation) -> Observation:
            return Cannot(node="N0", why="no key") if step.do == do else seen

        drive = Drive(tree_rehearsal(SHORT), tamper=shut, most_steps=40)
        verdict = drive.to_the_end()
        assert verdict.outcome == "unproved"
        assert verdict.reason

    def test_what_cannot_be_put_back_is_not_asked_for_ever(self) -> None:
        """A device taken off unasked; its box is then locked."""

        def locked(step: Step, seen: Observation) -> Observation:
            return Cannot(node="N1", why="locked") if step.do == "restore" else seen

        drive = Drive(tree_rehearsal(SHORT), tamper=locked, most_steps=40)
        drive.until(asks("clamp"))
        drive.tell(Isolate(at=Place("device", "D1")))
        verdict = drive.to_the_end()
        assert verdict.outcome == "unproved"
        assert verdict.as_left.isolated == (Place("device", "D1"),)

    def test_both_conductors_where_one_is_asked_for_is_said(self) -> None:
        def both(step: Step, seen: Observation) -> Observation:
            return replace(seen, conductor="both") if isinstance(seen, Clamp) else seen

        drive = Drive(tree_rehearsal(SHORT), tamper=both)
        asked = drive.until(asks("clamp"))
        drive.once()
        again = drive.session.step
        assert (again.do, again.node, again.wire) == (asked.do, asked.node, asked.wire)
        assert again.notes == (LEAKAGE_ONLY,)

    def test_what_is_off_is_not_put_back_at_full_voltage(self) -> None:
        """A device taken off unasked; the coil then comes out for a look unasked too."""
        drive = Drive(tree_rehearsal(SHORT))
        drive.until(asks("clamp"))
        for told in (Isolate(at=Place("device", "D1")), Power(on=False), FitCoil(fitted=False)):
            drive.tell(told)
        drive.tell(Power(on=True))
        step = drive.session.step
        assert (step.do, step.on) == ("power", False)
        drive.once()
        assert drive.session.step.do == "restore"

    def test_the_open_end_of_a_stub_can_be_clamped(self) -> None:
        ring = tuple(replace(s, joint_open="to") if s.id == "S4" else s for s in RING.segments)
        drive = Drive(tree_rehearsal(SHORT_AT_D4, survey=replace(RING, segments=ring)))
        drive.until(asks("clamp"))
        drive.tell(Clamp(node="N1", wire="S4", current_ma=0.0))
        verdict = drive.to_the_end()
        assert [(f.at, f.proved) for f in verdict.found] == [(SHORT_AT_D4.at, True)]


class TestTheControllersOwnTerminals:
    def test_nothing_left_on_the_controller_is_an_honest_end(self) -> None:
        """Both legs come off at a joint unasked, in the middle of the search."""
        drive = Drive(tree_rehearsal(SHORT), most_steps=60)
        drive.until(asks("clamp"))
        drive.tell(Power(on=False))
        drive.tell(OpenJoints(done=(("S1", "from"), ("S7", "from"))))
        drive.ground.rig.switch(on=False)
        drive.ground.rig.open_joints((("S1", "from"), ("S7", "from")))
        verdict = drive.to_the_end()
        assert verdict.outcome == "unproved"
        assert "joints" in verdict.reason

    def test_a_device_on_the_terminals_is_proved(self) -> None:
        """Once all leads there were clamped no place is left at the terminals themselves."""
        path = tree_path(((0, 1),))
        own = replace(path.devices[0], id="D0", node="N0")
        survey = replace(path, devices=(own, *path.devices))
        drive = Drive(tree_rehearsal(short_at("device", "D0"), survey=survey))
        verdict = drive.to_the_end()
        assert [(f.at, f.proved) for f in verdict.found] == [(Place("device", "D0"), True)]


class TestMeshed:
    def test_joints_are_asked_for_then_the_fault_is_traced_and_proved(self) -> None:
        drive = Drive(tree_rehearsal(short_at("device", "D4"), survey=RING))
        step = drive.until(asks("open_joints"))
        assert step.joints == (("S4", "to"),)
        assert not step.as_left.power
        verdict = drive.to_the_end()
        assert [(f.at, f.proved) for f in verdict.found] == [(Place("device", "D4"), True)]
        assert verdict.as_left.joints_open == (("S4", "to"),)
        clamps = [k for k, s in enumerate(drive.steps) if s.do == "clamp"]
        opened = next(k for k, s in enumerate(drive.steps) if s.do == "open_joints")
        assert opened < clamps[0]

    def test_joints_that_cannot_be_opened_end_unproved_with_the_reason(self) -> None:
        def stuck(step: Step, seen: Observation) -> Observation:
            return Cannot(node="N1", why="buried") if step.do == "open_joints" else seen

        drive = Drive(tree_rehearsal(short_at("device", "D4"), survey=RING), tamper=stuck)
        verdict = drive.to_the_end()
        assert verdict.outcome == "unproved"
        assert "meshed" in verdict.reason
        assert not any(found.proved for found in verdict.found)
        assert not any(step.do == "clamp" for step in drive.steps)


def earthed(path: WirePath) -> WirePath:
    return replace(path, earth_reference_ohm=5.0)


class TestOtherFaults:
    @pytest.mark.parametrize("where", ["S1", "S2", "S5"])
    def test_an_open_conductor_ends_unproved_with_the_reason(self, where: str) -> None:
        fault = Fault("open", Place("segment", where), conductor="a")
        self.checked(Drive(tree_rehearsal(fault)))

    @pytest.mark.parametrize("where", [("segment", "S2"), ("device", "D3"), ("splice", "N5")])
    def test_a_fault_to_earth_ends_unproved_with_the_reason(self, where: tuple[str, str]) -> None:
        place = Place(*where)  # type: ignore[arg-type]
        fault = Fault("earth", place, resistance_ohm=5.0, conductor="a")
        self.checked(Drive(tree_rehearsal(fault, survey=earthed(tree_path()))))

    def checked(self, drive: Drive) -> None:
        verdict = drive.to_the_end()
        assert verdict.outcome == "unproved"
        assert verdict.reason
        assert not any(found.proved for found in verdict.found)
