"""Partial restore, soak checks, sound records, the stop rule."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.db import IntegrityError, transaction

from core.accounts.actor import Actor
from core.clock import now
from core.problems import Conflict, IllegalMove, Invalid, Stale
from faults.models import FaultCall, PartialRestore, RepairFailure, SoakCheck, StopAnswer
from faults.selectors.as_left import as_left_list
from faults.selectors.call_urgency import call_dryness
from faults.selectors.partial_restores import partial_restore_list, partial_restore_propose
from faults.selectors.repairs import repair_hold, repair_list, soak_checks_due
from faults.selectors.stop_rule import stop_question
from faults.services.call_details import CallDetails
from faults.services.calls import Where
from faults.services.events import EventReport, event_report
from faults.services.intake import call_report
from faults.services.partial_restores import (
    RestoreDone,
    partial_restore_done,
    partial_restore_undone,
)
from faults.services.soak_checks import soak_check_done
from faults.services.sound_records import LegSound, sound_record
from faults.services.stop_rule import limit_set, stop_answer
from faults.services.traces import trace_start
from faults.services.work_rules import Rules, work_rules_set
from faults.trace_snapshot import snapshot_now
from sites.models import WirePath
from sites.network.faults import Place
from tests.faults.hunts import Hunt, played_bodies, rehearsal_of
from tests.faults.places import path_at_new_place, path_on
from tests.faults.test_endings import proved
from tests.repairs.field import (
    moved,
    opened,
    path_with_stations,
    readings_of,
    repaired,
    return_test,
)

START = dt.datetime(2026, 5, 4, 7, tzinfo=dt.UTC)
LOST = RestoreDone(({"device": "D5"},), (5,), least_device_v=22.5)


def at_hour(hours: float) -> Any:
    return time_machine.travel(START + dt.timedelta(hours=hours), tick=False)


def test_a_partial_restore_marks_the_open_call_beside_its_state(by: Actor) -> None:
    with at_hour(0):
        path = path_with_stations(by)
        call = opened(by, path)
        moved(call, "tracing", by)
    with at_hour(10):
        call.refresh_from_db()
        assert call_dryness([call])[call.pk].stations == 7
        assert call_dryness([call])[call.pk].station_hours == pytest.approx(70.0)
        restore = partial_restore_done(call=call, done=LOST, version=call.version, by=by)
    call.refresh_from_db()
    assert (call.state, call.partly_restored) == ("tracing", True)
    assert (restore.stations_lost, restore.least_device_v) == ([5], 22.5)
    (left,) = as_left_list(path)
    assert (left.key, left.kept_why) == ("isolated:device:D5", "left off so that the rest waters")
    with at_hour(34):
        found = call_dryness([call])[call.pk]
        assert (found.stations, found.station_hours) == (1, pytest.approx(70.0 + 24.0))
        partial_restore_undone(call=call, version=call.version, note="", by=by)
    with at_hour(100):
        call.refresh_from_db()
        assert not call.partly_restored
        found = call_dryness([call])[call.pk]
        assert (found.stations, found.station_hours) == (0, pytest.approx(94.0))


def test_closing_ends_the_mark_and_asks_for_what_was_left_off(by: Actor) -> None:
    call = opened(by, path_with_stations(by))
    partial_restore_done(call=call, done=LOST, version=1, by=by)
    repaired(call, by)
    test = return_test(call, by)
    assert test.failures == ["left on the path: Out of the path: device D5"]
    with pytest.raises(Invalid, match="thing that is left"):
        moved(call, "closed", by, outcome="other", left=())
    closed = moved(call, "closed", by, outcome="other")
    assert not closed.partly_restored
    with pytest.raises(Conflict):
        partial_restore_done(call=closed, done=LOST, version=closed.version, by=by)


def test_what_is_proved_is_proposed_to_be_left_off_with_what_it_costs(by: Actor) -> None:
    call = opened(by, path_with_stations(by))
    with pytest.raises(Conflict, match="no suspect"):
        partial_restore_propose(call)
    hunt = proved(by)
    proposal = partial_restore_propose(hunt.call)
    assert {"device": "D5"} in proposal.done.left_off
    assert proposal.proposed.devices_dry == ("D5",)
    assert (proposal.done.least_device_v or 0.0) > 20.0
    done = proposal.done
    restore = partial_restore_done(call=hunt.call, done=done, version=hunt.call.version, by=by)
    hunt.again()
    assert (hunt.call.state, hunt.call.partly_restored) == ("found", True)
    assert partial_restore_list(hunt.call).get() == restore
    assert restore.is_predicted, "the voltage came from the proposal and nobody read it"


def test_a_place_that_is_asked_for_is_proposed_whatever_is_found(by: Actor) -> None:
    call = opened(by, path_with_stations(by))
    proposal = partial_restore_propose(call, Place("device", "D3"))
    assert proposal.done.left_off == ({"device": "D3"},)
    assert proposal.proposed.devices_dry == ("D3",)


@pytest.mark.parametrize(
    ("done", "pointer"),
    [
        (RestoreDone(()), "/left_off"),
        (RestoreDone(({},)), "/left_off/0"),
        (RestoreDone(({"controller": True},)), "/left_off/0"),
        (RestoreDone(({"device": "D99"},)), "/left_off/0/device"),
        (RestoreDone(({"device": "D5"},), least_device_v=float("nan")), "/least_device_v"),
    ],
)
def test_a_partial_restore_says_where_it_does_not_fit(
    by: Actor, done: RestoreDone, pointer: str
) -> None:
    call = opened(by)
    with pytest.raises(Invalid) as invalid:
        partial_restore_done(call=call, done=done, version=1, by=by)
    assert [defect.pointer for defect in invalid.value.defects] == [pointer]
    assert not PartialRestore.objects.exists()
    with pytest.raises(Stale):
        partial_restore_done(call=call, done=LOST, version=7, by=by)


def test_some_stations_only_count_as_they_were_told(by: Actor) -> None:
    with at_hour(0):
        where = Where.of_path(path_with_stations(by))
        details = CallDetails(kind="stations", dry_stations=(2, 3))
        call = call_report(where=where, details=details, by=by).call
    with at_hour(5):
        assert call_dryness([call])[call.pk].station_hours == pytest.approx(10.0)


def happened(kind: str, call: FaultCall, by: Actor, **more: Any) -> None:
    place = call.property.public_id
    event_report(report=EventReport(kind, now(), place=place, **more), by=by)


def test_a_repair_shows_how_it_has_held(by: Actor) -> None:
    with at_hour(0):
        call = opened(by)
        repair = repaired(call, by)
        assert repair_hold(repair).energised_days is None
    for day, kinds in ((1, ("energised",)), (2, ("rain", "rain")), (4, ("off",)), (5, ("rain",))):
        for number, kind in enumerate(kinds):
            with at_hour(24 * day + number):
                happened(kind, call, by)
    with at_hour(24 * 9):
        hold = repair_hold(repair)
        # Watering wets the ground too: as it came on, and on two days of rain.
        assert (hold.wet_days, hold.energised_days, hold.messages) == (3, 4, 0)
        assert not hold.failed


def test_watering_of_another_path_wets_no_check(by: Actor) -> None:
    with at_hour(0):
        call, check = closed_on_test(by)
        other = path_on(call.path.controller, by, label="Another")
    with at_hour(24 * 8):
        report = EventReport("energised", now(), path=other.public_id)
        event_report(report=report, by=by)
    with at_hour(24 * 9):
        assert repair_hold(check.repair).wet_days == 0
        assert soak_checks_due() == []
        report = EventReport("energised", now(), path=call.path.public_id)
        event_report(report=report, by=by)
        assert repair_hold(check.repair).wet_days == 1
        assert soak_checks_due() == [check]


def closed_on_test(by: Actor) -> tuple[FaultCall, SoakCheck]:
    call = opened(by)
    repair = repaired(call, by)
    assert return_test(call, by).passed
    return moved(call, "closed", by, outcome="repaired"), repair.soak_checks.get()


def test_a_soak_check_is_due_once_it_was_wet_or_by_its_last_day(by: Actor) -> None:
    with at_hour(0):
        call, check = closed_on_test(by)
    days = (check.due_from - START.date()).days, (check.due_by - START.date()).days
    assert days == (7, 14)
    with at_hour(24 * 6):
        happened("rain", call, by)
    with at_hour(24 * 8):
        assert soak_checks_due() == []
        happened("rain", call, by)
        assert soak_checks_due() == [check]
        check = soak_check_done(check=check, state="held", version=1, by=by)
        assert soak_checks_due() == []
    with pytest.raises(IllegalMove):
        soak_check_done(check=check, state="held", version=2, by=by)
    with at_hour(24 * 10):
        _, dry = closed_on_test(by)
    with at_hour(24 * 23.5):
        assert soak_checks_due() == []
    with at_hour(24 * 24):
        assert soak_checks_due() == [dry]


def test_a_failed_soak_check_opens_the_call_and_links_back_to_the_repair(by: Actor) -> None:
    call, check = closed_on_test(by)
    with pytest.raises(Invalid):
        soak_check_done(check=check, state="failed", version=1, by=by)
    soak_check_done(check=check, state="failed", note="the leg rose wet", version=1, by=by)
    call.refresh_from_db()
    assert call.state == "reported"
    failure = RepairFailure.objects.get()
    assert (failure.repair, failure.call) == (check.repair, call)
    assert repair_hold(check.repair).failed
    # Where another call is open on the path, that one shows it.
    call, check = closed_on_test(by)
    other = opened(by, call.path)
    soak_check_done(check=check, state="failed", note="message in the rain", version=1, by=by)
    call.refresh_from_db()
    assert call.state == "closed"
    assert RepairFailure.objects.latest("pk").call == other


def test_a_trace_starts_from_the_newest_sound_records(by: Actor) -> None:
    path = path_at_new_place(by)
    legs = tuple(
        LegSound(one.leg, round(one.current_ma, 1), wet=False, meter="clamp 2")
        for one in readings_of(path).legs
    )
    assert sound_record(path=path, source="start-up", legs=legs, by=by).rises == ()
    higher = LegSound(legs[0].leg, (legs[0].current_ma or 0.0) * 1.4, wet=True)
    (rise,) = sound_record(path=path, source="inspection", legs=[higher], by=by).rises
    assert (rise.leg, rise.before_ma) == (legs[0].leg, legs[0].current_ma)
    trace = trace_start(call=opened(by, path), by=by)
    rows = {row["leg"]: row for row in trace.known["sound_record"]}
    assert rows[legs[0].leg]["current_ma"] == higher.current_ma
    assert rows[legs[1].leg]["current_ma"] == legs[1].current_ma
    assert rows[legs[1].leg]["meter"] == "clamp 2"
    zone = ZoneInfo(path.controller.property.time_zone)
    assert trace.known["dated"] == trace.started_at.astimezone(zone).date().isoformat()
    assert snapshot_now(trace).fold.session.problem.dated == trace.known["dated"]
    own = trace_start(call=opened(by), by=by, known={"sound_record": []})
    assert own.known == {"sound_record": []}


@pytest.mark.parametrize(
    ("leg", "source", "pointer"),
    [
        (LegSound("S1"), "start-up", "/legs/0"),
        (LegSound("S99", 1.0), "start-up", "/legs/0/leg"),
        (LegSound("S1", -1.0), "start-up", "/legs/0/current_ma"),
        (LegSound("S1", 1.0), "return-test", "/source"),
    ],
)
def test_a_sound_record_says_where_it_does_not_fit(
    by: Actor, leg: LegSound, source: str, pointer: str
) -> None:
    with pytest.raises(Invalid) as invalid:
        sound_record(path=path_at_new_place(by), source=source, legs=[leg], by=by)
    assert [defect.pointer for defect in invalid.value.defects] == [pointer]


def test_near_its_limit_a_call_asks_what_to_do_with_the_cost_of_each_way(by: Actor) -> None:
    rules = Rules(
        currency="EUR",
        hour_money=Decimal(60),
        renew_metre_money=Decimal(10),
        renew_metre_min=2.0,
        repair_min=30.0,
    )
    work_rules_set(rules=rules, version=0, by=by)
    hunt = Hunt(by)
    assert stop_question(hunt.call) is None
    with pytest.raises(Conflict):
        stop_answer(call=hunt.call, choice="repair", by=by)
    _, bodies = played_bodies(rehearsal_of())
    hunt.send_all(bodies[:6])
    hunt.again()
    minutes = hunt.trace.standing["minutes"]
    remaining = hunt.trace.standing["remaining_minutes"]
    assert minutes > 0
    limit_set(call=hunt.call, minutes=minutes / 0.79, by=by)
    question = stop_question(hunt.call)
    assert question is not None
    assert (question.asks, question.share) == (False, pytest.approx(0.79))
    limit_set(call=hunt.call, minutes=minutes / 0.81, why="small job", by=by)
    question = stop_question(hunt.call)
    assert question is not None
    assert question.asks
    repair, go_on, renew = question.ways
    assert (repair.p50_min, repair.p50_money) == (30.0, 30.0)
    assert go_on.p50_min == pytest.approx(remaining["p50"] + 30.0)
    assert go_on.p90_money == pytest.approx(remaining["p90"] + 30.0)
    assert renew.choice == "renew"
    answer = stop_answer(call=hunt.call, choice="go-on", why="two boxes left", by=by)
    assert answer.question["share"] == pytest.approx(0.81)
    question = stop_question(hunt.call)
    assert question is not None
    assert not question.asks
    with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
        StopAnswer.objects.filter(pk=answer.pk).update(choice="renew")
    # All of it spent: it is asked once more, and again when a new limit comes near.
    hunt.send_all(bodies[6:])
    hunt.again()
    question = stop_question(hunt.call)
    assert question is not None
    assert (question.share or 0.0) > 1.0
    assert question.asks


def test_money_is_reckoned_only_where_the_rates_are_known(by: Actor) -> None:
    call = opened(by)
    repaired(call, by)
    limit_set(call=call, money=Decimal(100), by=by)
    question = stop_question(call)
    assert question is not None
    assert (question.share, question.asks) == (None, False)
    rules = Rules(currency="EUR", hour_money=Decimal(120))
    work_rules_set(rules=rules, version=0, by=by)
    question = stop_question(call)
    assert question is not None
    assert (question.share, question.asks) == (pytest.approx(0.9), True)
    assert question.ways[2].p50_money is None
    for wrong in ({}, {"minutes": 5.0, "money": Decimal(5)}, {"minutes": float("nan")}):
        with pytest.raises(Invalid):
            limit_set(call=call, by=by, **wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize("count", [1, 6])
def test_reading_costs_the_same_for_one_call_as_for_six(
    by: Actor, django_assert_num_queries: Any, count: int
) -> None:
    calls = []
    for _ in range(count):
        call, check = closed_on_test(by)
        opened_again = opened(by, WirePath.objects.get(pk=call.path_id))
        partial_restore_done(call=opened_again, done=LOST, version=1, by=by)
        calls.append(opened_again)
    with django_assert_num_queries(3):
        assert len(call_dryness(calls)) == count
    with django_assert_num_queries(1):
        words = {f"{i.path.controller.property.name} {i.call.public_id}" for i in as_left_list()}
    assert len(words) == count
    with django_assert_num_queries(6):
        for repair in repair_list():
            assert repair.call.property.name
            assert len(repair.photos.all()) == len(repair.removed_parts.all()) == 0
            assert len(repair.soak_checks.all()) == 1
            assert [failure.call for failure in repair.failures.all()] == []
    with time_machine.travel(now() + dt.timedelta(days=10)), django_assert_num_queries(2):
        assert soak_checks_due() == []
    with django_assert_num_queries(2):
        repair_hold(check.repair)
