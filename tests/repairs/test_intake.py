"""Reports become calls, and repeats of them fold into the call that is open."""

from __future__ import annotations

import datetime as dt
import time
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest
import time_machine

from core.accounts.actor import Actor
from core.clock import now
from core.models import Crew
from core.problems import Conflict, Invalid, Stale
from faults.models import CallEvent, CallReport, FaultCall, FaultEvent
from faults.services.call_details import CallDetails
from faults.services.calls import Where, call_assign, call_update
from faults.services.events import EventReport, event_report, events_report
from faults.services.intake import call_report
from faults.services.work_rules import Rules, work_rules, work_rules_set
from tests.faults.places import path_at_new_place
from tests.repairs.field import moved, opened

SOME = CallDetails(
    kind="stations",
    dry_stations=(4, 5),
    only_with_station=4,
    after_rain=True,
    urgency="routine",
    note="grass is brown by the gate",
    contact="the gardener, at the lodge",
    access_hours="weekdays 8 to 16",
    promised_by=dt.datetime(2030, 5, 1, 12, tzinfo=dt.UTC),
)


def test_a_report_by_hand_keeps_all_that_was_said(by: Actor) -> None:
    path = path_at_new_place(by)
    since = now() - dt.timedelta(days=2)
    reported = call_report(where=Where.of_path(path), details=SOME, since=since, by=by)
    call = FaultCall.objects.get()
    assert (reported.call, reported.folded) == (call, False)
    assert CallDetails.of(call) == SOME
    assert (call.opened_at, call.reports) == (since, 1)
    assert CallReport.objects.get().said["contact"] == SOME.contact


def test_reports_of_one_path_are_one_call_and_the_most_urgent_counts(by: Actor) -> None:
    path = path_at_new_place(by)
    first = call_report(where=Where.of_path(path), details=SOME, by=by).call
    urgent = replace(SOME, kind="overcurrent", urgency="urgent", dry_stations=())
    again = call_report(where=Where.of_path(path), details=urgent, by=by)
    assert (again.call, again.folded) == (first, True)
    last = call_report(where=Where.of_path(path), details=SOME, by=by)
    call = FaultCall.objects.get()
    assert (call.reports, call.urgency, call.kind) == (3, "urgent", "stations")
    assert (last.call.version, call.version) == (2, 2)
    assert list(CallReport.objects.order_by("pk").values_list("kind", flat=True)) == [
        "stations",
        "overcurrent",
        "stations",
    ]
    # A controller's message joins the same call.
    report = EventReport(kind="overcurrent", at=now(), path=path.public_id)
    assert event_report(report=report, by=by).call == first


def test_on_a_known_path_neither_kind_nor_window_opens_a_second_call(by: Actor) -> None:
    """Why: docs/decisions/0008. Each report and each message is kept and counted."""
    path = path_at_new_place(by)
    work_rules_set(rules=Rules(fold_hours=6), version=0, by=by)
    start = now()
    first = event_report(report=EventReport("overcurrent", start, path=path.public_id), by=by).call
    for days, kind in ((1, "stations"), (30, "overcurrent"), (45, "controller")):
        with time_machine.travel(start + dt.timedelta(days=days), tick=False):
            said = replace(SOME, kind=kind)
            assert call_report(where=Where.of_path(path), details=said, by=by).call == first
            seen = EventReport("overcurrent", now(), path=path.public_id)
            assert event_report(report=seen, by=by).call == first
    call = FaultCall.objects.get()
    assert (call.overcurrents, call.reports) == (4, 3)
    kinds = CallReport.objects.order_by("pk").values_list("kind", flat=True)
    assert list(kinds) == ["stations", "overcurrent", "controller"]


def test_without_a_path_the_kind_and_the_window_decide(by: Actor) -> None:
    place = path_at_new_place(by).controller.property
    where = Where(place)
    controller = replace(SOME, kind="controller", dry_stations=())
    work_rules_set(rules=Rules(fold_hours=6), version=0, by=by)
    start = now()
    first = call_report(where=where, details=SOME, by=by).call
    assert call_report(where=where, details=controller, by=by).call != first
    for hours, same in ((5, True), (10, True), (17, False)):
        with time_machine.travel(start + dt.timedelta(hours=hours), tick=False):
            found = call_report(where=where, details=SOME, by=by)
        assert (found.call == first, found.folded) == (same, same)
    assert FaultCall.objects.count() == 3


def test_events_without_a_path_fold_within_the_window_too(by: Actor) -> None:
    place = path_at_new_place(by).controller.property
    work_rules_set(rules=Rules(fold_hours=6), version=0, by=by)

    def seen_before(hours: float) -> FaultCall | None:
        at = now() - dt.timedelta(hours=hours)
        report = EventReport(kind="overcurrent", at=at, place=place.public_id)
        return event_report(report=report, by=by).call

    first = seen_before(5.0)
    assert seen_before(1.0) == first is not None
    assert seen_before(13.0) is None  # older than the window: kept for the record
    with time_machine.travel(now() + dt.timedelta(hours=8), tick=False):
        later = seen_before(0.0)
    assert later not in (None, first)


@pytest.mark.slow
def test_five_thousand_repeats_of_one_controller_are_one_call(by: Actor) -> None:
    path = path_at_new_place(by)
    controller = path.controller.public_id
    start = now() - dt.timedelta(days=2)
    reports = [
        EventReport(
            kind="overcurrent",
            at=start + dt.timedelta(seconds=30 * number),
            controller=controller,
            external_id=f"ctl-{number}",
        )
        for number in range(5000)
    ]
    began = time.perf_counter()
    for first in range(0, len(reports), 1000):
        results = events_report(reports=reports[first : first + 1000], by=by)
        assert {result.state for result in results} == {"created"}
    took_s = time.perf_counter() - began
    call = FaultCall.objects.get()
    assert (call.overcurrents, call.version, call.state) == (5000, 1, "reported")
    assert (call.opened_at, call.last_event_at) == (reports[0].at, reports[-1].at)
    assert CallEvent.objects.filter(call=call).count() == FaultEvent.objects.count() == 5000
    again = events_report(reports=reports[:1000], by=by)
    assert {result.state for result in again} == {"replayed"}
    call.refresh_from_db()
    assert call.overcurrents == 5000
    print(f"5000 repeats in {took_s:.1f} s")  # noqa: T201 - the figure of this test
    assert took_s < 300.0  # hours, if each repeat looked through those before


def test_a_repeat_costs_no_look_up_of_its_call(
    by: Actor, django_assert_max_num_queries: Any
) -> None:
    path = path_at_new_place(by)
    start = now() - dt.timedelta(hours=2)
    reports = [
        EventReport("overcurrent", start + dt.timedelta(minutes=n), path=path.public_id)
        for n in range(101)
    ]
    event_report(report=reports[0], by=by)
    # Of each: a savepoint and its end, event, link, change and its place in the row of changes.
    with django_assert_max_num_queries(100 * 6 + 16):
        events_report(reports=reports[1:], by=by)
    assert FaultCall.objects.get().overcurrents == 101


def test_in_one_batch_late_ones_go_to_the_call_of_then(by: Actor) -> None:
    path = path_at_new_place(by)
    start = now() - dt.timedelta(hours=3)

    def seen_after(minutes: float) -> EventReport:
        return EventReport(
            "overcurrent", start + dt.timedelta(minutes=minutes), path=path.public_id
        )

    first = event_report(report=seen_after(0), by=by).call
    assert first is not None
    with time_machine.travel(start + dt.timedelta(minutes=60), tick=False):
        moved(first, "closed", by, outcome="other")
    batch = [seen_after(90), seen_after(30), seen_after(91), seen_after(31), seen_after(92)]
    calls = [result.call for result in events_report(reports=batch, by=by)]
    second = calls[0]
    assert calls == [second, first, second, first, second] != [first] * 5
    counts = FaultCall.objects.order_by("pk").values_list("overcurrents", flat=True)
    assert list(counts) == [3, 3]


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"kind": "fire"}, "/kind"),
        ({"dry_stations": ()}, "/dry_stations"),
        ({"dry_stations": (0,)}, "/dry_stations/0"),
        ({"only_with_station": -1}, "/only_with_station"),
        ({"promised_by": dt.datetime(2030, 1, 1)}, "/promised_by"),  # noqa: DTZ001 - refused
        ({"contact": "a\x00"}, "/contact"),
        ({"access_hours": "x" * 201}, "/access_hours"),
    ],
)
def test_a_report_says_where_it_does_not_fit(
    by: Actor, change: dict[str, Any], pointer: str
) -> None:
    where = Where.of_path(path_at_new_place(by))
    with pytest.raises(Invalid) as invalid:
        call_report(where=where, details=replace(SOME, **change), by=by)
    assert [defect.pointer for defect in invalid.value.defects] == [pointer]
    assert not FaultCall.objects.exists()


def test_changing_one_thing_said_of_a_call_keeps_the_rest(by: Actor) -> None:
    call = call_report(where=Where.of_path(path_at_new_place(by)), details=SOME, by=by).call
    edited = replace(CallDetails.of(call), note="gate code is at the lodge")
    call = call_update(call=call, version=call.version, details=edited, by=by)
    assert CallDetails.of(call) == replace(SOME, note="gate code is at the lodge")


def test_a_call_is_given_to_a_crew_or_a_person(by: Actor, technician: Any) -> None:
    crew = Crew.objects.create(name="North", created_at=now())
    call = call_assign(call=opened(by), to=crew, version=1, by=by)
    assert (call.crew, call.person) == (crew, None)
    call = call_assign(call=call, to=technician, version=2, by=by)
    assert (call.crew, call.person) == (None, technician)
    with pytest.raises(Stale):
        call_assign(call=call, to=None, version=2, by=by)
    technician.is_active = False
    with pytest.raises(Invalid):
        call_assign(call=call, to=technician, version=3, by=by)
    call = moved(call, "cancelled", by)
    with pytest.raises(Conflict):
        call_assign(call=call, to=None, version=call.version, by=by)


def test_work_rules_are_the_contractors_and_change_by_version(by: Actor) -> None:
    assert (work_rules().fold_hours, work_rules().version) == (336, 0)
    rules = Rules(fold_hours=2, currency="EUR", hour_money=Decimal("64.50"))
    assert work_rules_set(rules=rules, version=0, by=by).version == 1
    assert work_rules().hour_money == Decimal("64.50")
    with pytest.raises(Stale):
        work_rules_set(rules=rules, version=0, by=by)
    with pytest.raises(Invalid) as invalid:
        work_rules_set(rules=Rules(hour_money=Decimal(-1), soak_by_days=3), version=1, by=by)
    pointers = {defect.pointer for defect in invalid.value.defects}
    assert pointers == {"/hour_money", "/currency", "/soak_by_days"}


def test_a_report_that_is_folded_fills_in_what_was_not_known(by: Actor) -> None:
    path = path_at_new_place(by)
    early, late = now() + dt.timedelta(hours=5), now() + dt.timedelta(hours=9)
    first = CallDetails(promised_by=late, dry_stations=(3,), kind="stations", contact="Mrs Ash")
    call = call_report(where=Where.of_path(path), details=first, by=by).call
    more = CallDetails(
        promised_by=early,
        dry_stations=(1,),
        contact="the gate",
        access_hours="9 to 5",
        after_rain=True,
    )
    reported = call_report(where=Where.of_path(path), details=more, by=by)
    assert reported.folded
    call.refresh_from_db()
    assert (call.promised_by, call.dry_stations) == (early, [1, 3])
    assert (call.contact, call.access_hours, call.after_rain) == ("Mrs Ash", "9 to 5", True)
    version = call.version
    call_report(where=Where.of_path(path), details=more, by=by)
    call.refresh_from_db()
    assert (call.version, call.reports) == (version, 3), "nothing new: nobody's edit is overtaken"
