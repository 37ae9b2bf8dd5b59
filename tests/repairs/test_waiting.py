"""Waiting calls wake by themselves, once, on the day that it is where they are."""

from __future__ import annotations

import datetime as dt

import pytest
import time_machine

from core.accounts.actor import Actor, system_actor
from core.clock import now
from core.jobs.beat import Beat
from core.jobs.run import run_job
from core.models import Contractor, Job
from core.tenancy.scope import contractor_scope, everywhere
from faults.models import CallMove, FaultCall
from faults.services.calls import Where, call_open
from faults.services.events import EventReport, event_report
from faults.services.waiting import calls_wake
from faults.tasks import WAKE, ask_to_wake
from faults.transitions import WaitKind
from sites.services.properties import PropertyDetails, property_create
from tests.repairs.field import moved, opened

NOON = dt.datetime(2026, 6, 10, 12, tzinfo=dt.UTC)
"""Noon in UTC: the tenth in Honolulu, the eleventh on Kiritimati."""


def waiting_at(zone: str, until: dt.date, by: Actor, kind: str = "parts") -> FaultCall:
    place = property_create(details=PropertyDetails(name=f"At {zone}", time_zone=zone), by=by)
    call = call_open(where=Where(place), by=by)
    return moved(call, "waiting", by, until=until, wait_kind=kind)


@time_machine.travel(NOON, tick=False)
def test_a_day_begins_where_the_property_lies(by: Actor) -> None:
    until = dt.date(2026, 6, 11)
    east = waiting_at("Pacific/Kiritimati", until, by)
    west = waiting_at("Pacific/Honolulu", until, by)
    assert calls_wake(by=by) == 1
    east.refresh_from_db()
    west.refresh_from_db()
    assert (east.state, west.state) == ("reported", "waiting")
    assert (east.waits_until, east.wait_kind, east.wait_reason) == (None, "", "")
    last = CallMove.objects.filter(call=east).latest("pk")
    assert last.why == "woken: the day has come: 2026-06-11"
    assert calls_wake(by=by) == 0
    with time_machine.travel(NOON + dt.timedelta(hours=22), tick=False):
        assert calls_wake(by=by) == 1


@pytest.mark.parametrize("kind", list(WaitKind))
@time_machine.travel(NOON, tick=False)
def test_whatever_a_call_waits_for_it_wakes_on_its_day_and_not_before(
    by: Actor, kind: WaitKind
) -> None:
    call = waiting_at("Europe/Madrid", dt.date(2026, 6, 12), by, kind)
    with time_machine.travel(dt.datetime(2026, 6, 11, 21, 59, tzinfo=dt.UTC), tick=False):
        assert calls_wake(by=by) == 0
    call.refresh_from_db()
    assert (call.state, call.wait_kind) == ("waiting", kind)
    with time_machine.travel(dt.datetime(2026, 6, 11, 22, 1, tzinfo=dt.UTC), tick=False):
        assert calls_wake(by=by) == 1
    call.refresh_from_db()
    assert (call.state, call.wait_kind, call.waits_until) == ("reported", "", None)


@pytest.mark.parametrize(
    ("way", "woken_to"),
    [
        ((), "reported"),
        (("planned",), "planned"),
        (("planned", "repairing"), "repairing"),
        (("planned", "return-testing"), "return-testing"),
        (("tracing",), "reported"),  # no trace is under way
        (("tracing", "narrowed"), "narrowed"),
    ],
)
def test_a_call_goes_on_where_it_was(by: Actor, way: tuple[str, ...], woken_to: str) -> None:
    call = opened(by)
    for to in way:
        moved(call, to, by)
    moved(call, "waiting", by, until=now().date())
    with time_machine.travel(now() + dt.timedelta(days=2)):
        assert calls_wake(by=by) == 1
    call.refresh_from_db()
    assert call.state == woken_to


def test_rain_wakes_what_waits_for_wet_weather_and_nothing_else(by: Actor) -> None:
    later = now().date() + dt.timedelta(days=30)
    wet = waiting_at("Europe/Madrid", later, by, "wet-weather")
    parts = waiting_at("Europe/Madrid", later, by, "parts")
    dry = waiting_at("Europe/Madrid", later, by, "dry-weather")
    elsewhere = waiting_at("Europe/Madrid", later, by, "wet-weather")
    before = EventReport("rain", now() - dt.timedelta(days=1), place=wet.property.public_id)
    event_report(report=before, by=by)
    wet.refresh_from_db()
    assert wet.state == "waiting"  # it rained before it began to wait
    for call in (wet, parts, dry):
        report = EventReport("rain", now(), place=call.property.public_id, rain_mm=8.0)
        event_report(report=report, by=by)
    states = [FaultCall.objects.get(pk=call.pk).state for call in (wet, parts, dry, elsewhere)]
    assert states == ["reported", "waiting", "waiting", "waiting"]


def test_the_schedule_asks_for_one_job_a_contractor_and_slot(
    contractor: Contractor, other_contractor: Contractor
) -> None:
    with time_machine.travel(NOON, tick=False):
        for owner, days in ((contractor, 1), (other_contractor, 5)):
            with contractor_scope(owner.pk):
                by = system_actor(owner.pk, "tests")
                waiting_at("Europe/Madrid", (NOON + dt.timedelta(days=days)).date(), by)
        ask_to_wake()
        with everywhere(reason="tests look at all jobs"):
            assert not Job.objects.exists()
    with time_machine.travel(NOON + dt.timedelta(days=1), tick=False):
        ask_to_wake()
        ask_to_wake()
        with everywhere(reason="tests look at all jobs"):
            (job,) = Job.objects.filter(kind=WAKE)
            assert job.contractor_id == contractor.pk


@pytest.mark.django_db(transaction=True)
def test_the_job_wakes_and_done_again_wakes_none(contractor: Contractor, by: Actor) -> None:
    with time_machine.travel(NOON, tick=False):
        call = waiting_at("Europe/Madrid", NOON.date(), by)
        ask_to_wake()
        job = Job.objects.get(kind=WAKE)
        run_job(job.pk)
    job.refresh_from_db()
    assert (job.state, job.result) == ("done", {"woken": 1})
    call.refresh_from_db()
    assert (call.state, CallMove.objects.filter(call=call).count()) == ("reported", 3)
    assert calls_wake(by=by) == 0


def test_the_beat_knows_the_schedule(contractor: Contractor) -> None:
    with everywhere(reason="a beat is of no contractor"):
        assert WAKE in Beat().tick()
