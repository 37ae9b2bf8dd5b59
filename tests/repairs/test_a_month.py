"""A month of calls over fifty properties: none is lost, and each waiting one wakes on its day."""

from __future__ import annotations

import datetime as dt
import random
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
import time_machine

from core.accounts.actor import Actor
from core.clock import now
from core.models import Change
from core.problems import Problem
from faults.models import CallEvent, CallMove, EventKind, FaultCall, FaultEvent
from faults.selectors.call_urgency import call_dryness
from faults.selectors.calls import call_list
from faults.services.as_left import as_left_answer
from faults.services.events import EventReport, event_report
from faults.services.partial_restores import RestoreDone, partial_restore_done
from faults.services.repairs import repair_record
from faults.services.waiting import calls_wake
from faults.transitions import LEAVES_THE_PLACE, WaitKind
from sites.models import WirePath
from sites.services.controllers import ControllerDetails, controller_create
from sites.services.properties import PropertyDetails, property_create
from tests.faults.leaving import answers_for
from tests.faults.places import path_on
from tests.repairs.field import REMADE, moved, return_test
from tests.tracing.drives import tree_path

PROPERTIES = 50
DAYS = 30
START = dt.datetime(2026, 6, 1, tzinfo=dt.UTC)
ZONES = ("Europe/Madrid", "America/Denver", "Australia/Adelaide", "Pacific/Honolulu")
HOURS_BETWEEN = 6
"""Between the rounds of a day; waiting calls are woken in each, as the schedule would."""


def fifty_paths(by: Actor) -> list[WirePath]:
    """Paths of seven stations each, at properties in four time zones."""
    survey = tree_path()
    devices = tuple(replace(one, stations=(n,)) for n, one in enumerate(survey.devices, 1))
    survey = replace(survey, devices=devices)
    paths = []
    for number in range(PROPERTIES):
        details = PropertyDetails(f"Court {number}", time_zone=ZONES[number % len(ZONES)])
        place = property_create(details=details, by=by)
        north = controller_create(place=place, details=ControllerDetails("North"), by=by)
        paths.append(path_on(north, by, survey))
    return paths


def work_on(call: FaultCall, rng: random.Random, by: Actor) -> None:
    """Something that is done to a call in a round, as its state allows."""
    lot = rng.random()
    if call.state in ("reported", "planned") and lot < 0.15:
        until = now().date() + dt.timedelta(days=rng.randint(1, 9))
        moved(call, "waiting", by, until=until, wait_kind=rng.choice(list(WaitKind)))
    elif call.state in ("reported", "planned") and lot < 0.30 and not call.partly_restored:
        done = RestoreDone(({"device": "D5"},), (5,), 22.0)
        partial_restore_done(call=call, done=done, version=call.version, by=by)
    elif call.state == "reported" and lot < 0.6:
        moved(call, "planned", by)
    elif call.state == "planned" and lot < 0.6:
        moved(call, "repairing", by)
    elif call.state == "repairing":
        repair_record(call=call, details=REMADE, by=by)
        moved(call, "return-testing", by)
    elif call.state == "return-testing":
        finish(call, rng, by)


def finish(call: FaultCall, rng: random.Random, by: Actor) -> None:
    """Test and close; what was left off is put back for it, as a rule."""
    answer = "restored" if rng.random() < 0.9 else "kept"
    if answer == "restored":
        moved(call, "repairing", by)
        restore_all(call, by)
        moved(call, "return-testing", by)
    test = return_test(call, by)
    untested = "" if test.passed else "left off until parts come"
    moved(call, "closed", by, outcome="repaired", untested_why=untested)


def restore_all(call: FaultCall, by: Actor) -> None:
    as_left_answer(call=call, answers=answers_for(call, "restored", ""), by=by)


@pytest.mark.slow
def test_in_a_month_no_call_is_lost_and_each_waiting_one_wakes_on_its_day(by: Actor) -> None:
    rng = random.Random(20260601)
    with time_machine.travel(START, tick=False):
        paths = fifty_paths(by)
    refused = 0
    for step in range(DAYS * 24 // HOURS_BETWEEN):
        with time_machine.travel(START + dt.timedelta(hours=HOURS_BETWEEN * step), tick=False):
            calls_wake(by=by)
            for path in rng.sample(paths, 3):
                if rng.random() < 0.5:
                    seen = EventReport("overcurrent", now(), path=path.public_id)
                    assert event_report(report=seen, by=by).call is not None
            if rng.random() < 0.1:
                place = rng.choice(paths).controller.property.public_id
                event_report(report=EventReport("rain", now(), place=place), by=by)
            for call in list(call_list()):
                if rng.random() < 0.4:
                    try:
                        work_on(call, rng, by)
                    except Problem:
                        refused += 1
    with time_machine.travel(START + dt.timedelta(days=DAYS), tick=False):
        figures(by, refused)


def figures(by: Actor, refused: int) -> None:
    """What the month came to, held against what has to be."""
    calls_wake(by=by)
    calls = list(FaultCall.objects.select_related("property"))
    listed = {call.pk for call in call_list()}
    messages = FaultEvent.objects.filter(kind=EventKind.OVERCURRENT)
    linked = CallEvent.objects.filter(event__kind=EventKind.OVERCURRENT).count()
    lost = [
        call
        for call in calls
        if (call.closed_at is None) != (call.pk in listed)
        or (call.waits_until is not None and call.waits_until < now().date())
        or (call.state in ("closed",) and not (call.closing_test_id or call.untested_why))
    ]
    woken = waited = on_day = by_rain = 0
    zone_of = {call.pk: ZoneInfo(call.property.time_zone) for call in calls}
    until_of: dict[int, CallMove] = {}
    days = waiting_days()
    for move in CallMove.objects.order_by("pk"):
        if move.to_state == "waiting":
            waited += 1
            until_of[move.call_id] = move
        elif move.from_state == "waiting":
            woken += move.why.startswith("woken")
            by_rain += "rain" in move.why
            if "the day has come" in move.why:
                day = days[until_of[move.call_id].pk]
                on_day += move.at.astimezone(zone_of[move.call_id]).date() == day
    still = sum(call.state == "waiting" for call in calls)
    hours = sum(one.station_hours for one in call_dryness(calls).values())
    closed = sum(call.state == "closed" for call in calls)
    print(  # noqa: T201 - the figures of this test
        f"calls {len(calls)}, closed {closed}, messages {messages.count()}, lost {len(lost)}; "
        f"waits {waited}, woken {woken} ({on_day} on their day, {by_rain} by rain), "
        f"waiting still {still}; stations dry x hours {hours:.0f}; refused {refused}"
    )
    assert len(calls) >= 40
    assert waited >= 10
    assert linked == messages.count()
    assert lost == []
    assert (on_day + by_rain, waited - still) == (woken, woken)
    assert hours > 0
    assert refused == 0
    assert {call.state for call in calls} & set(LEAVES_THE_PLACE)


def waiting_days() -> dict[int, dt.date]:
    """The day each wait was to end, by the move that began it, from the record of changes."""
    begun = CallMove.objects.filter(to_state="waiting").order_by("pk")
    told = Change.objects.filter(action="call.moved", after__state="waiting").order_by("pk")
    return {
        move.pk: dt.date.fromisoformat(change.after["until"])
        for move, change in zip(begun, told, strict=True)
    }
