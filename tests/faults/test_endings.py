"""What a trace's end does to its call, and what comes in after it."""

from __future__ import annotations

from typing import Any

import pytest

from core.accounts.actor import Actor
from core.models import Change
from core.problems import Conflict, Invalid, Stale
from faults.models import CallMove, FaultCall, Finding
from faults.selectors.calls import call_moves
from faults.selectors.traces import finding_list, trace_next
from faults.services.call_moves import Move, call_move
from faults.services.calls import Where, call_open
from faults.services.observations import AFTER_END, LATE
from faults.services.settlement import HELD_BY_CANCELLED, HELD_BY_OTHER, TAKEN_BACK
from faults.services.traces import trace_end, trace_start
from faults.trace_snapshot import CACHE
from sites.forms.survey import survey_document
from sites.network.faults import Fault, Place
from sites.services.path_imports import path_reimport
from tests.faults.hunts import Hunt, known_of, played_bodies, rehearsal_of
from tests.faults.leaving import answers_for

_, BODIES = played_bodies(rehearsal_of())
LAST_CLAMP = max(n for n, body in enumerate(BODIES, start=1) if body["do"] == "clamp")


def proved(by: Actor) -> Hunt:
    """A trace that has proved D5."""
    hunt = Hunt(by)
    hunt.send_all(BODIES)
    hunt.again()
    return hunt


def moves(hunt: Hunt) -> list[tuple[str, str]]:
    return [(move.from_state, move.to_state) for move in call_moves(hunt.call)]


def move(hunt: Hunt, to: str, by: Actor, **more: Any) -> None:
    hunt.again()
    more = {"why": "as agreed", "left": answers_for(hunt.call)} | more
    if more.get("outcome") == "repaired":
        more |= {"untested_why": "tested by others"}
    call_move(call=hunt.call, move=Move(to, **more), version=hunt.call.version, by=by)
    hunt.again()


def test_a_proof_finds_the_call_and_keeps_every_step(by: Actor) -> None:
    hunt = proved(by)
    assert (hunt.trace.outcome, hunt.trace.ended_at is not None) == ("proved", True)
    assert moves(hunt) == [
        ("", "reported"),
        ("reported", "tracing"),
        ("tracing", "narrowed"),
        ("narrowed", "found"),
    ]
    finding = Finding.objects.get()
    assert (finding.at, finding.kind, finding.proved) == ({"device": "D5"}, "short", True)
    assert [row["observation"] for row in finding.basis] == BODIES
    assert [row["client_id"] for row in finding.basis] == [f"o{n + 1}" for n in range(len(BODIES))]
    assert finding.basis[0]["asked"] == "message"
    assert hunt.trace.standing["stage"] == "done"
    actions = set(Change.objects.filter(thread_id=hunt.call.public_id).values_list("action"))
    assert {("trace.started",), ("trace.observed",), ("trace.ended",), ("call.moved",)} <= actions


@pytest.mark.parametrize(
    ("fault", "outcome", "state"),
    [
        (Fault("short", Place("controller")), "controller", "narrowed"),
        (Fault("short", Place("none")), "not-present", "reported"),
    ],
)
def test_other_endings_leave_the_call_for_people_to_decide(
    by: Actor, fault: Fault, outcome: str, state: str
) -> None:
    rehearsal = rehearsal_of(fault)
    _, bodies = played_bodies(rehearsal)
    hunt = Hunt(by, rehearsal)
    hunt.send_all(bodies)
    hunt.again()
    assert (hunt.trace.outcome, hunt.call.state) == (outcome, state)
    assert not Finding.objects.filter(proved=True).exists()
    assert outcome.replace("-", " ") in call_moves(hunt.call).last().why  # type: ignore[union-attr]


def test_putting_the_rig_back_after_a_proof_takes_nothing_from_it(by: Actor) -> None:
    hunt = proved(by)
    result = hunt.send({"do": "power", "on": False})
    assert result.late
    assert result.warnings == (), "to put the rig back is what comes after the end"
    assert result.document["outcome"] == "proved"
    assert result.document["as_left"]["power"] is False
    looked = hunt.send({"do": "fit_coil", "fitted": False})
    assert looked.document["as_left"]["coil"] is False
    cannot = hunt.send({"do": "cannot", "node": "N2", "why": "flooded"})
    assert cannot.warnings == (LATE, AFTER_END)
    hunt.again()
    assert (hunt.call.state, Finding.objects.count()) == ("found", 1)
    assert hunt.trace.standing["as_left"]["power"] is False
    assert [row.late for row in hunt.trace.observations.order_by("client_seq")][-3:] == [True] * 3


def test_an_agreeing_reading_that_comes_late_is_kept_with_a_warning(by: Actor) -> None:
    hunt = proved(by)
    result = hunt.send(BODIES[LAST_CLAMP - 1], client_id="again")
    assert result.late
    assert LATE in result.warnings
    assert TAKEN_BACK not in result.warnings
    hunt.again()
    assert (hunt.call.state, hunt.trace.outcome) == ("found", "proved")


@pytest.mark.parametrize("closed", [False, True], ids=["found", "closed"])
def test_a_proof_that_loses_its_ground_opens_the_call_again_for_all_to_see(
    by: Actor, closed: bool
) -> None:
    hunt = proved(by)
    if closed:
        move(hunt, "closed", by, outcome="repaired")
    before = hunt.call.state
    result = hunt.void(f"o{LAST_CLAMP}", why="read on the wrong wire")
    assert result.late
    assert result.warnings == (LATE, TAKEN_BACK)
    hunt.again()
    assert (hunt.trace.ended_at, hunt.trace.outcome) == (None, "")
    assert hunt.call.state == "narrowed"
    assert (hunt.call.closed_at, hunt.call.outcome) == (None, "")
    reopened = CallMove.objects.filter(call=hunt.call, from_state=before, to_state="tracing").get()
    assert reopened.why == (
        "an answer of the trace was withdrawn after the end of the trace: read on the wrong wire"
    )
    old = Finding.objects.get()
    assert old.superseded_at is not None
    assert "wrong wire" in old.superseded_why
    assert not finding_list(call=hunt.call).exists()
    assert Change.objects.filter(
        action="finding.superseded", thread_id=hunt.call.public_id
    ).exists()
    assert trace_next(hunt.trace) == result.document
    again = hunt.send(BODIES[LAST_CLAMP - 1])
    assert not again.late
    hunt.again()
    assert (hunt.trace.outcome, hunt.call.state) == ("proved", "found")
    assert finding_list(call=hunt.call).get().at == {"device": "D5"}


def test_a_late_reading_from_before_the_end_gives_the_state_of_a_fresh_fold(by: Actor) -> None:
    """A second phone's reading arrives after the end and was made in the midst of the proof."""
    hunt = proved(by)
    contrary = BODIES[LAST_CLAMP - 1] | {"current_ma": 1.0}
    result = hunt.send(contrary, seq=LAST_CLAMP - 1, client_id="phone-2")
    assert result.late
    CACHE.clear()
    hunt.again()
    assert trace_next(hunt.trace) == result.document
    said = "done" if hunt.trace.ended_at else result.document["stage"]
    assert said == result.document["stage"]
    assert (hunt.call.state == "found") == (hunt.trace.outcome == "proved")


def test_a_cancelled_call_stays_cancelled_and_says_so(by: Actor) -> None:
    hunt = proved(by)
    move(hunt, "cancelled", by)
    result = hunt.void(f"o{LAST_CLAMP}", why="wrong wire")
    assert result.warnings == (LATE, HELD_BY_CANCELLED)
    hunt.again()
    assert (hunt.call.state, hunt.trace.outcome) == ("cancelled", "unproved")
    assert not finding_list(call=hunt.call).filter(proved=True).exists()
    assert trace_next(hunt.trace)["outcome"] == "unproved"


def test_a_closed_call_stays_closed_where_another_has_taken_its_path(by: Actor) -> None:
    hunt = proved(by)
    move(hunt, "closed", by, outcome="repaired")
    path = hunt.trace.path
    call_open(where=Where.of_path(path), by=by)
    result = hunt.void(f"o{LAST_CLAMP}")
    assert result.warnings == (LATE, HELD_BY_OTHER)
    hunt.again()
    assert hunt.call.state == "closed"
    assert not finding_list(call=hunt.call).filter(proved=True).exists()


def test_a_trace_ended_by_hand_is_unproved_with_its_suspects(by: Actor) -> None:
    hunt = Hunt(by)
    hunt.send_all(BODIES[:8])
    hunt.again()
    with pytest.raises(Invalid):
        trace_end(trace=hunt.trace, why=" ", version=hunt.trace.version, by=by)
    with pytest.raises(Stale):
        trace_end(trace=hunt.trace, why="thunder", version=hunt.trace.version - 1, by=by)
    trace_end(trace=hunt.trace, why="thunder", version=hunt.trace.version, by=by)
    hunt.again()
    assert (hunt.trace.outcome, hunt.trace.reason) == ("unproved", "thunder")
    assert finding_list(trace=hunt.trace).count() == 3
    verdict = trace_next(hunt.trace)
    assert (verdict["stage"], verdict["outcome"], verdict["reason"]) == (
        "done",
        "unproved",
        "thunder",
    )
    with pytest.raises(Conflict):
        trace_end(trace=hunt.trace, why="thunder", version=hunt.trace.version, by=by)
    late = hunt.send(BODIES[8])
    assert late.warnings == (LATE,)
    assert late.document["reason"] == "thunder"


def test_readings_sent_later_can_still_complete_the_proof(by: Actor) -> None:
    """The phone had no signal when the office ended the trace."""
    hunt = Hunt(by)
    hunt.send_all(BODIES[:8])
    hunt.again()
    trace_end(trace=hunt.trace, why="no word from the field", version=hunt.trace.version, by=by)
    results = [hunt.send(body) for body in BODIES[8:]]
    assert all(result.late for result in results)
    hunt.again()
    assert (hunt.trace.outcome, hunt.call.state) == ("proved", "found")
    assert finding_list(call=hunt.call).get().at == {"device": "D5"}
    assert FaultCall.objects.get().version == hunt.call.version


def test_a_trace_is_pinned_to_the_map_it_began_on(by: Actor) -> None:
    hunt = Hunt(by)
    hunt.send_all(BODIES[:4])
    before = trace_next(hunt.trace)
    survey = survey_document(hunt.rehearsal.survey)
    for segment in survey["segments"]:
        segment["length_m"] *= 2
    path_reimport(path=hunt.trace.path, base_revision=1, survey=survey, by=by)
    CACHE.clear()
    assert trace_next(hunt.trace) == before
    hunt.send_all(BODIES[4:])
    hunt.again()
    assert hunt.trace.outcome == "proved"
    move(hunt, "tracing", by)
    assert trace_start(call=hunt.call, by=by).revision == 2


def test_what_is_known_before_has_to_fit_the_map(by: Actor) -> None:
    hunt = proved(by)
    move(hunt, "tracing", by)
    for known, pointer in (
        ({"meter": {"percent": -1}}, "/known/meter/percent"),
        ({"priors": [{"at": {"device": "D99"}, "weight": 2}]}, "/known/priors/0/at/device"),
        ({"survey": {}}, "/known/survey"),
    ):
        with pytest.raises(Invalid) as invalid:
            trace_start(call=hunt.call, by=by, known=known)
        assert invalid.value.defects[0].pointer == pointer
    trace_start(call=hunt.call, by=by, known=known_of(hunt.rehearsal))
    hunt.again()
    with pytest.raises(Conflict, match="under way"):
        trace_start(call=hunt.call, by=by)
