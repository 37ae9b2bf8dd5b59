"""What counts as located and as wrongly proved."""

from __future__ import annotations

import pytest

from faults.rehearsal.play import blind_problem, first_suspect, is_wrongly_proved, judged
from faults.rehearsal.unmapped import true_places
from faults.tracing.step import AsLeft, Found, Verdict
from sites.network.faults import Fault, Place
from tests.rehearsal.grounds import COIL_OHM, corner_path, rehearsal, short

D2, SPLICE2, UNMAPPED2 = Place("device", "D2"), Place("splice", "N2"), Place("unmapped", "N2")
CONTROLLER, NONE, OVERLOAD = Place("controller"), Place("none"), Place("overload")


def verdict(outcome: str, *found: tuple[Place, bool]) -> Verdict:
    return Verdict(
        outcome=outcome,  # type: ignore[arg-type]
        found=tuple(Found(at=at, kind="short", chance=0.9995, proved=p) for at, p in found),
        observations=9,
        search_minutes=10.0,
        minutes=30.0,
        as_left=AsLeft(),
    )


@pytest.mark.parametrize(
    ("truth", "ending", "wrong"),
    [
        (D2, verdict("proved", (D2, True)), False),
        (D2, verdict("proved", (SPLICE2, True)), True),
        (UNMAPPED2, verdict("proved", (SPLICE2, True)), True),
        (UNMAPPED2, verdict("proved", (UNMAPPED2, True)), False),
        (D2, verdict("unproved", (SPLICE2, False)), False),
        (D2, verdict("controller"), True),
        (D2, verdict("not-present"), True),
        (CONTROLLER, verdict("controller"), False),
        (CONTROLLER, verdict("not-present"), True),
        (NONE, verdict("not-present"), False),
        (NONE, verdict("controller"), True),
        (NONE, verdict("proved", (D2, True)), True),
        (OVERLOAD, verdict("unproved", (OVERLOAD, False)), False),
        (OVERLOAD, verdict("not-present"), True),
        (OVERLOAD, verdict("proved", (SPLICE2, True)), True),
        # A second place proved besides the right one is still a wrong proof.
        (D2, verdict("proved", (D2, True), (SPLICE2, True)), True),
    ],
)
def test_wrongly_proved(truth: Place, ending: Verdict, wrong: bool) -> None:
    assert is_wrongly_proved(ending, (truth,)) is wrong


def test_located_is_the_first_suspect_at_the_end() -> None:
    truth = rehearsal(short(D2))
    assert judged(truth, (), verdict("unproved", (D2, False)), (1.0,)).located
    assert not judged(truth, (), verdict("unproved", (SPLICE2, False)), (1.0,)).located
    assert first_suspect((), verdict("controller")) == CONTROLLER
    assert first_suspect((), verdict("unproved")) is None


def test_a_segment_is_located_without_its_fraction() -> None:
    fault = Fault("short", Place("segment", "S2"), resistance_ohm=3.0, fraction=0.2)
    ending = verdict("proved", (Place("segment", "S2"), True))
    played = judged(rehearsal(fault), (), ending, (1.0,))
    assert played.located
    assert played.proved
    assert not played.wrongly_proved


def test_truth_of_a_path_without_faults_is_none() -> None:
    assert true_places(rehearsal()) == (NONE,)
    assert true_places(rehearsal(Fault("short", NONE))) == (NONE,)


def test_what_the_engine_begins_with_tells_nothing_of_the_truth() -> None:
    truths = [
        rehearsal(short(D2), seed=1),
        rehearsal(short(SPLICE2, 9.0), seed=2, coil_ohm=9.0 + 20.0j),
        rehearsal(short(UNMAPPED2), actual=corner_path()),
    ]
    assert len({repr(blind_problem(truth)) for truth in truths}) == 1
    assert blind_problem(truths[0]).coil_ohm is None
    assert blind_problem(rehearsal(short(D2), coil_known=True)).coil_ohm == COIL_OHM
