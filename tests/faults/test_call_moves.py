"""Calls move through one service, by one table, each move written down."""

from __future__ import annotations

import datetime as dt
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from typing import Any, cast

import pytest
from django.db import IntegrityError, connection, connections, transaction

from core.accounts.actor import Actor
from core.clock import now
from core.models import Change, Contractor
from core.problems import Conflict, IllegalMove, Invalid, Stale
from core.tenancy.scope import contractor_scope
from faults.models import CallMove, FaultCall, Finding, Trace
from faults.selectors.calls import call_moves
from faults.services.call_details import CallDetails
from faults.services.call_moves import Move, call_move
from faults.services.calls import Where, call_open, call_set_path, call_update
from faults.transitions import ENDED, LEGAL_MOVES, CallState, legal_moves
from tests.faults.hunts import Hunt
from tests.faults.places import path_at_new_place, path_on


def moving(to: str) -> Move:
    """A move that says all it has to."""
    outcome = "other" if to == "closed" else ""
    until = dt.date(2030, 4, 1) if to == "waiting" else None
    return Move(to, why="as agreed", outcome=outcome, until=until)


def in_state(by: Actor, state: CallState) -> FaultCall:
    """A call brought to a state by legal moves, the shortest way; to *found* by a proof."""
    if state == CallState.FOUND:
        return found(by)
    ways: deque[tuple[CallState, ...]] = deque([(CallState.REPORTED,)])
    while (way := ways.popleft())[-1] != state:
        ways.extend((*way, to) for to in legal_moves(way[-1], proved=False) if to not in way)
    call = call_open(where=Where.of_path(path_at_new_place(by)), by=by)
    for to in way[1:]:
        call = call_move(call=call, move=moving(to), version=call.version, by=by)
    return call


def found(by: Actor) -> FaultCall:
    """A call whose proof stands. Its trace is left out, for what moves it here is the proof."""
    call = in_state(by, CallState.NARROWED)
    assert call.path is not None
    trace = Trace.objects.create(
        call=call,
        path=call.path,
        revision=call.path.revision,
        started_at=now(),
        ended_at=now(),
        outcome="proved",
        started_by_name=by.name,
    )
    Finding.objects.create(
        trace=trace,
        at={"device": "D5"},
        kind="short",
        chance=1.0,
        proved=True,
        basis=[],
        made_at=now(),
    )
    return call_move(call=call, move=moving("found"), version=call.version, by=by)


@pytest.mark.parametrize("state", list(CallState))
def test_only_the_moves_of_the_table_are_made(by: Actor, state: CallState) -> None:
    proved = state == CallState.FOUND
    for to in CallState:
        call = in_state(by, state)
        assert call.state == state
        legal = [str(one) for one in LEGAL_MOVES[state] if proved or one != CallState.FOUND]
        count = CallMove.objects.filter(call=call).count()
        if to in legal:
            moved = call_move(call=call, move=moving(to), version=call.version, by=by)
            last = call_moves(moved).last()
            assert last is not None
            assert (last.from_state, last.to_state, last.by_name) == (state, to, by.name)
            assert (moved.closed_at is not None) == (to in ENDED)
            continue
        with pytest.raises(IllegalMove) as illegal:
            call_move(call=call, move=moving(to), version=call.version, by=by)
        assert illegal.value.extra == {"state": state, "legal": legal}
        assert CallMove.objects.filter(call=call).count() == count
        call.refresh_from_db()
        assert call.state == state


def test_every_state_is_in_the_table_and_every_open_one_leads_to_an_end() -> None:
    assert set(LEGAL_MOVES) == set(CallState)
    for state in CallState:
        assert state not in LEGAL_MOVES[state]
        if state not in ENDED:
            assert CallState.CLOSED in LEGAL_MOVES[state]
        if state not in (*ENDED, CallState.TRACING, CallState.CANCELLED):
            assert CallState.TRACING in LEGAL_MOVES[state]


@pytest.mark.parametrize(
    ("move", "pointer"),
    [
        (Move("elsewhere"), "/to"),
        (Move("closed", outcome="repaired"), "/why"),
        (Move("closed", why="done"), "/outcome"),
        (Move("closed", why="done", outcome="lost"), "/outcome"),
        (Move("planned", outcome="repaired"), "/outcome"),
        (Move("waiting", why=" ", until=dt.date(2030, 1, 1)), "/why"),
        (Move("waiting", why="rain"), "/until"),
        (Move("waiting", why="rain", until=dt.date(2030, 1, 1), wait_kind="luck"), "/wait_kind"),
        (Move("planned", wait_kind="parts"), "/wait_kind"),
        (Move("planned", untested_why="no time"), "/untested_why"),
        (Move("planned", until=dt.date(2030, 1, 1)), "/until"),
        (Move("planned", why="x" * 501), "/why"),
        (Move("planned", why="a\x00b"), "/why"),
    ],
)
def test_a_move_has_to_say_what_belongs_to_it(by: Actor, move: Move, pointer: str) -> None:
    call = in_state(by, CallState.REPORTED)
    with pytest.raises(Invalid) as invalid:
        call_move(call=call, move=move, version=call.version, by=by)
    assert [defect.pointer for defect in invalid.value.defects] == [pointer]


def test_a_call_waits_for_something_until_a_day(by: Actor) -> None:
    call = in_state(by, CallState.REPORTED)
    until = dt.date(2030, 4, 1)
    move = Move("waiting", why="not marked yet", until=until, wait_kind="utility-marking")
    call = call_move(call=call, move=move, version=1, by=by)
    waits = (call.wait_kind, call.wait_reason, call.waits_until)
    assert waits == ("utility-marking", "not marked yet", until)
    call = call_move(call=call, move=Move("planned"), version=2, by=by)
    assert (call.wait_kind, call.wait_reason, call.waits_until) == ("", "", None)
    change = Change.objects.filter(action="call.moved").order_by("pk").first()
    assert change is not None
    assert change.after["until"] == "2030-04-01"


def test_of_two_who_saw_the_same_version_one_wins(by: Actor) -> None:
    call = in_state(by, CallState.REPORTED)
    call_move(call=call, move=Move("planned"), version=call.version, by=by)
    with pytest.raises(Stale) as stale:
        call_move(call=call, move=moving("cancelled"), version=call.version, by=by)
    assert (stale.value.extra["version"], stale.value.extra["state"]) == (2, "planned")
    (changed,) = cast("list[dict[str, Any]]", stale.value.extra["changed"])
    assert (changed["action"], changed["by"]) == ("call.moved", by.name)
    assert changed["after"]["state"] == "planned"
    with pytest.raises(Stale):
        call_update(call=call, version=call.version, details=CallDetails("urgent"), by=by)


@pytest.mark.django_db(transaction=True)
def test_of_eight_at_once_one_wins(contractor: Contractor, by: Actor) -> None:
    if connection.vendor == "sqlite" and connection.is_in_memory_db():  # type: ignore[attr-defined]
        pytest.skip("threads share no SQLite database in memory")
    call = in_state(by, CallState.REPORTED)

    def move(number: int) -> str:
        try:
            with contractor_scope(contractor.pk):
                to = "planned" if number % 2 else "cancelled"
                call_move(call=call, move=Move(to), version=1, by=by)
                return "moved"
        except Stale:
            return "stale"
        finally:
            connections.close_all()

    with ThreadPoolExecutor(8) as pool:
        results = sorted(pool.map(move, range(8)))
    assert results == ["moved"] + ["stale"] * 7
    assert CallMove.objects.filter(call=call).count() == 2


def test_a_call_is_not_closed_over_a_running_trace(by: Actor) -> None:
    hunt = Hunt(by)
    hunt.again()
    for to in ("closed", "cancelled"):
        with pytest.raises(Conflict, match="under way"):
            call_move(call=hunt.call, move=moving(to), version=hunt.call.version, by=by)


def test_one_open_call_a_path(by: Actor) -> None:
    path = path_at_new_place(by)
    first = call_open(where=Where.of_path(path), by=by)
    with pytest.raises(Conflict) as conflict:
        call_open(where=Where.of_path(path), by=by)
    assert conflict.value.extra == {"call": first.public_id}
    first = call_move(call=first, move=moving("closed"), version=1, by=by)
    second = call_open(where=Where.of_path(path), by=by)
    with pytest.raises(Conflict):
        call_move(call=first, move=Move("reported"), version=2, by=by)
    with pytest.raises(IntegrityError), transaction.atomic():
        FaultCall.objects.filter(pk=first.pk).update(
            state="reported", closed_at=None, outcome="", outcome_reason=""
        )
    call_move(call=second, move=moving("cancelled"), version=1, by=by)
    reopened = call_move(call=first, move=Move("reported"), version=2, by=by)
    assert (reopened.outcome, reopened.closed_at) == ("", None)


def test_a_call_learns_its_path(by: Actor) -> None:
    path = path_at_new_place(by)
    other = path_on(path.controller, by, label="Path 2")
    call_open(where=Where.of_path(other), by=by)
    call = call_open(where=Where(path.controller.property), by=by)
    with pytest.raises(Invalid):
        call_set_path(call=call, path=path_at_new_place(by), version=1, by=by)
    with pytest.raises(Conflict, match="is open on this wire path"):
        call_set_path(call=call, path=other, version=1, by=by)
    call = call_set_path(call=call, path=path, version=1, by=by)
    assert (call.path, call.controller, call.version) == (path, path.controller, 2)


def test_moves_are_never_altered(by: Actor) -> None:
    call = in_state(by, CallState.PLANNED)
    with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
        CallMove.objects.filter(call=call).update(why="else")
