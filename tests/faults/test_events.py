"""What is reported, once each, and the calls that follow."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import pytest
from django.db import connection, connections

from core.accounts.actor import Actor, system_actor
from core.clock import now
from core.models import Change, Contractor
from core.problems import Conflict, Invalid, TooLarge
from core.tenancy.scope import contractor_scope
from faults.models import CallEvent, FaultCall, FaultEvent
from faults.selectors.calls import call_events
from faults.services.call_moves import Move, call_move
from faults.services.events import MOST_ROWS, EventReport, event_report, events_report
from sites.models import WirePath
from tests.faults.places import path_at_new_place, path_on

Reporter = Callable[..., Any]


@pytest.fixture
def path(by: Actor) -> WirePath:
    return path_at_new_place(by)


def seen(path: WirePath, hours_ago: float = 0.0, **more: Any) -> EventReport:
    """An overcurrent on a path."""
    at = now() - dt.timedelta(hours=hours_ago)
    return EventReport(kind="overcurrent", at=at, path=path.public_id, **more)


def closed(call: FaultCall, by: Actor) -> FaultCall:
    call.refresh_from_db()
    return call_move(
        call=call, move=Move("closed", why="dry", outcome="other"), version=call.version, by=by
    )


def test_the_first_overcurrent_opens_a_call_and_repeats_are_counted(
    by: Actor, path: WirePath
) -> None:
    first = event_report(report=seen(path, 5), by=by)
    again = [event_report(report=seen(path, hours), by=by) for hours in (3, 1, 2, 8)]
    call = FaultCall.objects.get()
    assert {result.call for result in again} == {first.call} == {call}
    assert (call.overcurrents, call.version, call.state) == (5, 1, "reported")
    assert call.opened_by_event == first.event
    assert call.opened_at == again[3].event.at  # told later, seen earlier
    assert call.last_event_at == again[1].event.at
    assert call_events(call).count() == 5
    assert Change.objects.filter(thread_id=call.public_id, action="event.reported").count() == 5


@pytest.mark.parametrize("kind", ["cleared", "energised", "off", "rain", "lightning", "digging"])
def test_other_events_open_nothing_and_close_nothing(by: Actor, path: WirePath, kind: str) -> None:
    alone = event_report(report=replace(seen(path), kind=kind), by=by)
    assert alone.call is None
    opened = event_report(report=seen(path), by=by).call
    beside = event_report(report=replace(seen(path), kind=kind), by=by)
    assert beside.call == (opened if kind == "cleared" else None)
    call = FaultCall.objects.get()
    assert (call.overcurrents, call.state) == (1, "reported")


def test_after_a_closed_call_an_overcurrent_opens_another(by: Actor, path: WirePath) -> None:
    first = event_report(report=seen(path, 2), by=by).call
    first = closed(first, by)
    second = event_report(report=seen(path), by=by).call
    assert second != first
    assert second.state == "reported"
    # One from before, told late, belongs to the call of then and opens nothing.
    late = event_report(report=seen(path, 1), by=by)
    assert late.call == first
    first.refresh_from_db()
    assert (first.overcurrents, first.state) == (2, "closed")


def test_what_is_told_for_the_record_opens_no_call(by: Actor, path: WirePath) -> None:
    old = event_report(report=seen(path, 24 * 400), by=by)
    assert (old.state, old.call) == ("created", None)
    call = event_report(report=seen(path), by=by).call
    assert event_report(report=seen(path, 24 * 300), by=by).call is None
    call.refresh_from_db()
    assert call.overcurrents == 1


def test_the_only_path_of_a_controller_is_meant(by: Actor, path: WirePath) -> None:
    report = replace(seen(path), path="", controller=path.controller.public_id)
    assert event_report(report=report, by=by).event.path == path
    other = path_on(path.controller, by, label="Path 2")
    unclear = event_report(report=report, by=by)
    assert (unclear.event.path, unclear.call.path) == (None, None)
    assert unclear.call.controller == path.controller
    again = event_report(report=report, by=by)
    assert again.call == unclear.call
    place = replace(report, controller="", place=path.controller.property.public_id)
    assert event_report(report=place, by=by).call not in (unclear.call, None)
    assert event_report(report=seen(other), by=by).call.path == other


def test_an_external_id_makes_the_same_report_one_event(by: Actor, path: WirePath) -> None:
    report = seen(path, 1, external_id="evt-77", current_ma=1620.0)
    first = event_report(report=report, by=by)
    elsewhere = replace(report, at=report.at.astimezone(dt.timezone(dt.timedelta(hours=9))))
    again = event_report(report=elsewhere, by=by)
    assert (first.state, again.state) == ("created", "replayed")
    assert (again.event, again.call) == (first.event, first.call)
    assert FaultCall.objects.get().overcurrents == FaultEvent.objects.count() == 1
    with pytest.raises(Conflict) as conflict:
        event_report(report=replace(report, current_ma=1621.0), by=by)
    assert conflict.value.extra == {"event": first.event.public_id}


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"kind": "fire"}, "/kind"),
        ({"at": dt.datetime(2026, 1, 1)}, "/at"),  # noqa: DTZ001 - what is refused
        ({"at": dt.datetime(2999, 1, 1, tzinfo=dt.UTC)}, "/at"),
        ({"path": ""}, "/path"),
        ({"path": "path_nowhere"}, "/path"),
        ({"controller": "ctl_nowhere"}, "/controller"),
        ({"place": "prop_nowhere"}, "/property"),
        ({"current_ma": float("inf")}, "/current_ma"),
        ({"current_ma": -1.0}, "/current_ma"),
        ({"rain_mm": 3.0}, "/rain_mm"),
        ({"note": "x" * 501}, "/note"),
        ({"external_id": "a\x00"}, "/external_id"),
    ],
)
def test_a_report_that_does_not_fit_says_where(
    by: Actor, path: WirePath, change: dict[str, Any], pointer: str
) -> None:
    with pytest.raises(Invalid) as invalid:
        event_report(report=replace(seen(path), **change), by=by)
    assert [defect.pointer for defect in invalid.value.defects] == [pointer]
    assert not FaultEvent.objects.exists()


def test_places_have_to_fit_together(by: Actor, path: WirePath) -> None:
    other = path_at_new_place(by)
    report = replace(
        seen(path),
        controller=other.controller.public_id,
        place=other.controller.property.public_id,
    )
    with pytest.raises(Invalid) as invalid:
        event_report(report=report, by=by)
    assert [one.pointer for one in invalid.value.defects] == ["/controller", "/property"]


def test_a_path_of_another_contractor_is_not_there(
    by: Actor, path: WirePath, other_contractor: Contractor
) -> None:
    with contractor_scope(other_contractor.pk):
        stranger = system_actor(other_contractor.pk, "tests")
        with pytest.raises(Invalid) as invalid:
            event_report(report=seen(path), by=stranger)
        assert invalid.value.defects[0].pointer == "/path"
        assert not FaultEvent.objects.exists()


def test_in_bulk_each_row_has_its_own_result(by: Actor, path: WirePath) -> None:
    good = seen(path, 3, external_id="a")
    rows = [
        good,
        replace(seen(path), kind="fire"),
        good,
        replace(good, note="else"),
        replace(seen(path), path="path_nowhere"),
        seen(path, external_id="b"),
    ]
    results = events_report(reports=rows, by=by)
    states = ["created", "refused", "replayed", "refused", "refused", "created"]
    assert [result.state for result in results] == states
    codes = [result.problem.code if result.problem else None for result in results]
    assert codes == [None, "invalid", None, "conflict", "invalid", None]
    assert FaultCall.objects.get().overcurrents == 2
    assert [r.state for r in events_report(reports=rows, by=by)] == [
        "replayed" if state == "created" else state for state in states
    ]
    assert FaultEvent.objects.count() == CallEvent.objects.count() == 2


def test_too_many_rows_at_once_are_refused_whole(by: Actor, path: WirePath) -> None:
    with pytest.raises(TooLarge):
        events_report(reports=[seen(path)] * (MOST_ROWS + 1), by=by)
    assert not FaultEvent.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_many_first_reports_at_once_open_one_call(
    contractor: Contractor, by: Actor, path: WirePath
) -> None:
    if connection.vendor == "sqlite" and connection.is_in_memory_db():  # type: ignore[attr-defined]
        pytest.skip("threads share no SQLite database in memory")
    report = seen(path)

    def tell(number: int) -> str:
        try:
            with contractor_scope(contractor.pk):
                name = "same" if number % 2 else f"own{number}"
                return event_report(report=replace(report, external_id=name), by=by).state
        finally:
            connections.close_all()

    with ThreadPoolExecutor(8) as pool:
        states = sorted(pool.map(tell, range(16)))
    assert states == ["created"] * 9 + ["replayed"] * 7
    assert FaultCall.objects.get().overcurrents == 9
