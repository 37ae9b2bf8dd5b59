"""Whatever opens a repaired call again links it to the repair that did not hold."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest
import time_machine

from core.accounts.actor import Actor
from core.clock import now
from faults.models import CallEvent, CallMove, FaultCall, Repair, RepairFailure, SoakCheck
from faults.services import event_calls
from faults.services.as_left import as_left_answer
from faults.services.events import EventReport, event_report, events_report
from faults.services.repairs import repair_record
from faults.services.soak_checks import soak_check_done
from faults.services.traces import trace_start
from faults.transitions import LEGAL_MOVES, CallState
from tests.faults.leaving import answers_for
from tests.faults.places import path_at_new_place
from tests.faults.test_endings import LAST_CLAMP, proved
from tests.repairs.field import REMADE, moved, opened, repaired, return_test

SEVEN = dt.datetime(2026, 6, 10, 7, tzinfo=dt.UTC)

Opening = Callable[[FaultCall, Actor], object]


def at_minute(minutes: float) -> Any:
    return time_machine.travel(SEVEN + dt.timedelta(minutes=minutes), tick=False)


def closed_as_repaired(by: Actor, outcome: str = "repaired") -> tuple[FaultCall, Repair]:
    """Tested at seven, closed at twenty past."""
    with at_minute(-60):
        call = opened(by)
        repair = repaired(call, by)
    with at_minute(0):
        assert return_test(call, by).passed
    with at_minute(20):
        return moved(call, "closed", by, outcome=outcome), repair


def seen_at(call: FaultCall, minutes: float, kind: str = "overcurrent") -> EventReport:
    assert call.path is not None
    at = SEVEN + dt.timedelta(minutes=minutes)
    return EventReport(kind, at, path=call.path.public_id)


def by_hand(call: FaultCall, by: Actor) -> None:
    moved(call, "reported", by, why="the message is back")


def to_tracing(call: FaultCall, by: Actor) -> None:
    moved(call, "tracing", by, why="the message is back")


def by_a_trace(call: FaultCall, by: Actor) -> None:
    trace_start(call=call, by=by)


def by_a_soak_check(call: FaultCall, by: Actor) -> None:
    check = SoakCheck.objects.get(repair__call=call)
    soak_check_done(check=check, state="failed", note="wet again", version=check.version, by=by)


def by_a_late_message(call: FaultCall, by: Actor) -> None:
    event_report(report=seen_at(call, 10), by=by)


@pytest.mark.parametrize(
    ("opens", "state", "why"),
    [
        (by_hand, "reported", "the message is back"),
        (to_tracing, "tracing", "the message is back"),
        (by_a_trace, "tracing", "a trace was begun"),
        (by_a_soak_check, "reported", "the soak check failed: wet again"),
        (
            by_a_late_message,
            "reported",
            "an overcurrent message of 10 Jun 2026, 09:10 came after the return test",
        ),
    ],
)
def test_every_way_that_opens_it_again_writes_one_link(
    by: Actor, opens: Opening, state: str, why: str
) -> None:
    call, repair = closed_as_repaired(by)
    with at_minute(30):
        opens(call, by)
    call.refresh_from_db()
    assert (call.state, call.closed_at, call.closing_test) == (state, None, None)
    failure = RepairFailure.objects.get()
    assert (failure.repair, failure.call, failure.why) == (repair, call, why)


def test_the_ways_tried_are_all_moves_of_the_table() -> None:
    assert set(LEGAL_MOVES[CallState.CLOSED]) == {CallState.REPORTED, CallState.TRACING}


@pytest.mark.parametrize("opens", [by_hand, by_a_trace])
def test_a_call_that_was_not_closed_as_repaired_links_nothing(by: Actor, opens: Opening) -> None:
    call, _ = closed_as_repaired(by, outcome="other")
    with at_minute(30):
        opens(call, by)
    assert not RepairFailure.objects.exists()


def test_a_late_reading_that_opens_it_again_links_it(by: Actor) -> None:
    hunt = proved(by)
    moved(hunt.call, "repairing", by)
    repair = repair_record(call=hunt.call, details=REMADE, by=by)
    as_left_answer(call=hunt.call, answers=answers_for(hunt.call, "restored", ""), by=by)
    moved(hunt.call, "return-testing", by)
    assert return_test(hunt.call, by).passed
    moved(hunt.call, "closed", by, outcome="repaired")
    hunt.void(f"o{LAST_CLAMP}", why="read on the wrong wire")
    hunt.again()
    assert hunt.call.state == "narrowed"
    failure = RepairFailure.objects.get()
    assert (failure.repair, failure.call) == (repair, hunt.call)
    assert failure.why == CallMove.objects.filter(from_state="closed").get().why


@pytest.mark.parametrize(
    ("minutes", "opens"), [(-5, False), (0, False), (0.1, True), (10, True), (20, True)]
)
def test_a_message_from_after_the_test_told_late_opens_the_call_that_was_closed_on_it(
    by: Actor, minutes: float, opens: bool
) -> None:
    call, repair = closed_as_repaired(by)
    with at_minute(30):
        result = event_report(report=seen_at(call, minutes), by=by)
    assert result.call == call
    call.refresh_from_db()
    assert (call.state, call.overcurrents) == ("reported" if opens else "closed", 1)
    assert CallEvent.objects.get().event == result.event
    assert FaultCall.objects.filter(closed_at__isnull=True).count() == opens
    links = [(one.repair, one.event) for one in RepairFailure.objects.all()]
    assert links == ([(repair, result.event)] if opens else [])


def test_a_message_after_the_closing_opens_another_call(by: Actor) -> None:
    call, _ = closed_as_repaired(by)
    with at_minute(30):
        other = event_report(report=seen_at(call, 21), by=by).call
    call.refresh_from_db()
    assert other is not None
    assert (other == call, call.state, other.state) == (False, "closed", "reported")


def test_many_late_messages_open_it_once(by: Actor) -> None:
    call, _ = closed_as_repaired(by)
    elsewhere, _ = closed_as_repaired(by)
    reports = [seen_at(one, minutes) for minutes in (5, 7, 9) for one in (call, elsewhere)]
    with at_minute(30):
        results = events_report(reports=reports, by=by)
    assert [result.call for result in results] == [call, elsewhere] * 3
    for one in (call, elsewhere):
        one.refresh_from_db()
        assert (one.state, one.overcurrents) == ("reported", 3)
        assert CallMove.objects.filter(call=one, from_state="closed").count() == 1
        assert RepairFailure.objects.filter(call=one).count() == 1


def test_where_another_call_is_open_a_late_message_links_to_that_one_once(by: Actor) -> None:
    call, repair = closed_as_repaired(by)
    with at_minute(25):
        other = opened(by, call.path)
    with at_minute(30):
        for minutes in (10, 11):
            assert event_report(report=seen_at(call, minutes), by=by).call == call
    call.refresh_from_db()
    assert (call.state, call.overcurrents) == ("closed", 2)
    failure = RepairFailure.objects.get()
    assert (failure.repair, failure.call) == (repair, other)


def test_cleared_from_after_the_test_opens_nothing(by: Actor) -> None:
    call, _ = closed_as_repaired(by)
    with at_minute(30):
        assert event_report(report=seen_at(call, 10, "cleared"), by=by).call == call
    call.refresh_from_db()
    assert call.state == "closed"


@pytest.mark.parametrize("kind", ["overcurrent", "cleared"])
def test_a_call_closed_while_a_message_comes_in_is_not_the_one_it_goes_to(
    by: Actor, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    call = opened(by, path_at_new_place(by))
    late = now() + dt.timedelta(minutes=5)
    truly_locked = event_calls.locked_one
    locks: list[FaultCall] = []

    def closed_just_before(row: FaultCall) -> FaultCall:
        if not locks:
            moved(call, "closed", by, outcome="not-present")
        locks.append(row)
        return truly_locked(row)

    monkeypatch.setattr(event_calls, "locked_one", closed_just_before)
    assert call.path is not None
    report = EventReport(kind, late, path=call.path.public_id)
    result = event_report(report=report, by=by)
    assert locks[0] == call
    call.refresh_from_db()
    assert (call.state, call.overcurrents) == ("closed", 0)
    if kind == "cleared":
        assert result.call is None
    else:
        assert result.call not in (None, call)
        assert FaultCall.objects.filter(closed_at__isnull=True).get() == result.call
