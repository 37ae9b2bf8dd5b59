"""What comes in after a proof: what contradicts it takes the verdict back, what does not stays."""

from __future__ import annotations

import numpy as np
import pytest

from faults.rehearsal.cases import make_case
from faults.rehearsal.field import Field
from faults.rehearsal.play import blind_problem
from faults.tracing.contradiction import outvoted
from faults.tracing.observations import Clamp, Isolate, Observation, Reference, Restore, Strike
from faults.tracing.session import Session
from sites.network.faults import Place
from tests.tracing.drives import Drive, short_at, tree_rehearsal

D5, N2 = Place("device", "D5"), Place("splice", "N2")
FAULT_OF = {"D5": short_at("device", "D5"), "N2": short_at("splice", "N2")}


def proved(name: str = "D5") -> Drive:
    drive = Drive(tree_rehearsal(FAULT_OF[name]))
    assert drive.to_the_end().outcome == "proved"
    return drive


def reference_ma(drive: Drive) -> float:
    return drive.ground.rig.controller_ma(None)


def told(session: Session, *observations: Observation) -> Session:
    for observation in observations:
        session = session.observe(observation)
    return session


def outcome(session: Session) -> str | None:
    return session.done.outcome if session.done else None


class TestAReferenceOfNothing:
    def test_takes_the_proof_back_and_is_asked_for_again(self) -> None:
        drive = proved()
        session = told(drive.session, Reference(current_ma=5.0))
        assert session.done is None
        assert session.step.do == "reference"
        assert session.step.stage == "proving"
        assert "contradicts" in session.step.why
        assert not any(found.proved for found in session.case.suspects(3))

    def test_repeated_it_ends_unproved(self) -> None:
        drive = proved()
        session, asked = told(drive.session, Reference(current_ma=5.0)), 0
        while session.done is None:
            # Other readings may be asked for again before that: they read as they are.
            again = session.step.do == "reference"
            seen = Reference(current_ma=6.0) if again else drive.ground.answer(session.step)
            session, asked = told(session, seen), asked + 1
        assert 1 <= asked < 25
        assert outcome(session) == "unproved"
        assert session.done.reason
        assert not any(found.proved for found in session.done.found)

    def test_outvoted_it_was_a_slip_and_the_proof_holds(self) -> None:
        drive = proved()
        good = Reference(current_ma=reference_ma(drive))
        session = told(drive.session, Reference(current_ma=5.0), good)
        assert session.done is None
        assert outcome(told(session, good)) == "proved"

    def test_struck_it_is_as_if_it_had_never_been(self) -> None:
        drive = proved()
        number = drive.session.number
        session = told(drive.session, Reference(current_ma=5.0), Strike(step=number))
        assert outcome(session) == "proved"
        assert session.done is not None
        assert drive.session.done is not None
        assert session.done.found == drive.session.done.found

    def test_the_order_after_the_proof_does_not_matter(self) -> None:
        drive = proved()
        good = Reference(current_ma=reference_ma(drive))
        bad = Reference(current_ma=5.0)
        for order in ((bad, good, good), (good, bad, good), (good, good, bad)):
            assert outcome(told(drive.session, *order)) == "proved"
        for order in ((bad, bad, good), (good, bad, bad), (bad, good, bad)):
            assert outcome(told(drive.session, *order)) != "proved"


@pytest.mark.parametrize(
    ("node", "wire", "current_ma"),
    [
        ("N5", "S5", 4.0),  # what feeds the suspect's node: the fault's current is gone
        ("N5", "D5", 3.0),  # the suspect's own lead
        ("N2", "S3", 180.0),  # a branch that is not on its way
        ("N3", "D3", 200.0),  # another device's lead
        ("N6", "D6", 120.0),
    ],
)
def test_a_wire_that_does_not_read_as_the_proof_says(
    node: str, wire: str, current_ma: float
) -> None:
    drive = proved()
    once = told(drive.session, Clamp(node=node, wire=wire, current_ma=current_ma))
    assert outcome(once) != "proved"
    assert once.done is None
    assert (once.step.node, once.step.wire) == (node, wire)
    again = told(once, Clamp(node=node, wire=wire, current_ma=current_ma))
    assert outcome(again) != "proved"


@pytest.mark.parametrize("name", ["D5", "N2"])
def test_true_readings_after_a_proof_leave_it(name: str) -> None:
    drive = proved(name)
    rig = drive.ground.rig
    session = told(drive.session, Reference(current_ma=reference_ma(drive)))
    for node, wire in (("N0", "S1"), ("N1", "S5"), ("N1", "S2"), ("N2", "S3"), ("N5", "D5")):
        current_ma = rig.wire_ma(node, wire, None)
        cables = rig.cables_at(node)
        reading = Clamp(node=node, wire=wire, current_ma=current_ma, cables_seen=cables)
        session = told(session, reading)
        assert outcome(session) == "proved", (node, wire, current_ma)


def test_an_off_reading_that_does_not_fall_after_the_proof() -> None:
    drive = proved()
    session = told(drive.session, Isolate(at=D5))
    watch = session.case.examiner(D5).watch
    stays = Clamp(node=watch.node, wire=watch.wire, current_ma=250.0)
    session = told(session, stays, stays, Restore(at=D5))
    back = Clamp(
        node=watch.node,
        wire=watch.wire,
        current_ma=drive.ground.rig.wire_ma(watch.node, watch.wire, None),
    )
    for _ in range(3):
        if session.done is None and session.step.do == "clamp":
            session = told(session, back)
    assert outcome(session) != "proved"


def test_another_count_of_cables_at_a_proved_splice() -> None:
    drive = proved("N2")
    rig = drive.ground.rig
    current_ma = rig.wire_ma("N2", "S2", None)

    def counted(more: int) -> Clamp:
        cables = rig.cables_at("N2") + more
        return Clamp(node="N2", wire="S2", current_ma=current_ma, cables_seen=cables)

    once = told(drive.session, counted(1))
    assert once.done is None
    assert (once.step.do, once.step.node) == ("clamp", "N2")
    assert outcome(told(once, counted(1))) == "unproved"
    right = told(once, counted(0), counted(0))
    assert "counted" not in (right.done.reason if right.done else right.step.why)


def test_what_outvotes() -> None:
    assert outvoted(0, 0)
    assert outvoted(2, 1)
    assert not outvoted(1, 1)
    assert not outvoted(0, 1)


def late_readings(index: int) -> tuple[Session, list[Observation]]:
    """A proved case of the benchmark, and what its reference and six wires then really read."""
    rehearsal = make_case("rehearsals", index).rehearsal
    drive = Drive(rehearsal, most_steps=200)
    assert drive.to_the_end().outcome == "proved"
    ground: Field = drive.ground
    edges = sorted(drive.session.posterior.view.edge_of_wire)
    rng = np.random.default_rng([41, index])
    found: list[Observation] = [
        Reference(current_ma=ground._meter.read(ground.rig.controller_ma(None)))
    ]
    for at in rng.integers(0, len(edges), 6):
        node, wire = edges[int(at)]
        current_ma = ground._meter.read(ground.rig.wire_ma(node, wire, None))
        found.append(Clamp(node=node, wire=wire, current_ma=current_ma))
    return drive.session, found


@pytest.mark.parametrize("index", [1, 2, 3, 7, 14, 18, 22, 45])
def test_proofs_that_hold_stay_and_a_nothing_reopens_them(index: int) -> None:
    session, found = late_readings(index)
    assert blind_problem(make_case("rehearsals", index).rehearsal) == session.problem
    assert outcome(told(session, *found)) == "proved"
    assert outcome(told(session, Reference(current_ma=5.0))) is None
    twice = told(session, Reference(current_ma=5.0), Reference(current_ma=5.0))
    assert outcome(twice) != "proved"
