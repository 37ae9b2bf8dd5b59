"""Whoever tells a change of a call holds its row: so changes of one call keep their order.

While a change is written, another connection tries to lock the row of the call it belongs to.
"""

from __future__ import annotations

import datetime as dt
import random
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

import pytest
import time_machine
from django.db import connection, connections, transaction
from django.db.models.signals import post_save

from core.accounts.actor import Actor
from core.changes.feed import feed_read
from core.changes.sequencer import sequence_changes
from core.clock import now
from core.models import Change, Contractor
from core.tenancy.scope import contractor_scope
from faults.models import DayPlan, FaultCall, PlannedVisit
from faults.services.call_moves import Move, call_move
from faults.services.events import EventReport, events_report
from faults.services.plan_publishing import plan_publish
from faults.services.removed_parts import PartDetails, PartSeen, part_look, part_remove
from faults.services.visits import visit_lock, visit_move
from tests.planning.test_day_plans import MONDAY, made
from tests.planning.towns import a_call, a_crew
from tests.repairs.field import opened

pytestmark = [
    pytest.mark.slow,
    pytest.mark.django_db(transaction=True),
    pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has no row locks"),
]


def is_held(call_id: str, contractor_id: int) -> bool:
    """Whether somebody else holds the row of a call, asked on a connection of its own."""
    try:
        with contractor_scope(contractor_id), transaction.atomic():
            rows = FaultCall.objects.filter(public_id=call_id)
            return not list(rows.select_for_update(of=("self",), skip_locked=True))
    finally:
        connections.close_all()


@contextmanager
def watched(contractor: Contractor) -> Iterator[dict[str, list[bool]]]:
    """Of each kind of change of a call that is there already, whether its row was held."""
    there = set(FaultCall.objects.values_list("public_id", flat=True))
    found: dict[str, list[bool]] = {}
    with ThreadPoolExecutor(1) as other:

        def look(instance: Change, **_: Any) -> None:
            if instance.thread_id in there:
                held = other.submit(is_held, instance.thread_id, contractor.pk).result(30)
                found.setdefault(instance.action, []).append(held)

        post_save.connect(look, sender=Change)
        try:
            yield found
        finally:
            post_save.disconnect(look, sender=Change)


def a_plan(by: Actor) -> DayPlan:
    a_crew(by, "Ash")
    for number in range(2):
        a_call(by, number)
    return made(by)


def published(by: Actor) -> DayPlan:
    plan = a_plan(by)
    return plan_publish(plan=plan, version=plan.version, by=by)


def a_visit(by: Actor) -> PlannedVisit:
    return published(by).visits.exclude(call=None).order_by("pk")[0]


def looking(by: Actor) -> Callable[[], Any]:
    part = part_remove(call=opened(by), details=PartDetails("T-1", "decoder"), by=by)
    return lambda: part_look(part=part, seen=PartSeen(bench_result="sound"), version=1, by=by)


def starting(by: Actor) -> Callable[[], Any]:
    visit = a_visit(by)
    return lambda: visit_move(visit=visit, to="started", version=visit.version, by=by)


def locking(by: Actor) -> Callable[[], Any]:
    visit = a_visit(by)
    return lambda: visit_lock(visit=visit, locked=True, version=visit.version, by=by)


def publishing(by: Actor) -> Callable[[], Any]:
    plan = a_plan(by)
    return lambda: plan_publish(plan=plan, version=plan.version, by=by)


def withdrawing(by: Actor) -> Callable[[], Any]:
    call = a_visit(by).call
    assert call is not None
    call.refresh_from_db()
    move = Move("cancelled", "the owner does it")
    call_move(call=call, move=move, version=call.version, by=by)
    plan = made(by)
    return lambda: plan_publish(plan=plan, version=plan.version, by=by)


def clearing(by: Actor) -> Callable[[], Any]:
    call = opened(by)
    assert call.path is not None
    where, at = call.path.public_id, now() + dt.timedelta(seconds=1)
    return lambda: events_report(reports=[EventReport("cleared", at, path=where)], by=by)


@pytest.mark.parametrize(
    ("prepared", "action"),
    [
        (looking, "part.looked-into"),
        (starting, "visit.started"),
        (locking, "visit.locked"),
        (publishing, "visit.planned"),
        (withdrawing, "visit.withdrawn"),
        (clearing, "event.reported"),
    ],
)
def test_a_change_of_a_call_is_told_while_its_row_is_held(
    contractor: Contractor, by: Actor, prepared: Callable[[Actor], Any], action: str
) -> None:
    with time_machine.travel(MONDAY, tick=False):
        act = prepared(by)
        with watched(contractor) as found:
            act()
    assert found.get(action), found
    assert all(all(held) for held in found.values()), found


TECHNICIANS, LOOKS = 6, 12


def test_looks_at_parts_of_one_call_keep_their_order_in_the_feed(
    contractor: Contractor, by: Actor
) -> None:
    call = opened(by)
    tags = [f"T-{number}" for number in range(TECHNICIANS)]
    parts = [part_remove(call=call, details=PartDetails(tag, "coil"), by=by) for tag in tags]

    def look_often(number: int) -> None:
        chance = random.Random(number)
        try:
            with contractor_scope(contractor.pk):
                for version in range(1, LOOKS + 1):
                    with transaction.atomic():
                        seen = PartSeen(bench_note=f"look {version}")
                        part_look(part=parts[number], seen=seen, version=version, by=by)
                        # Some hold their transaction long after their change has its number.
                        time.sleep(chance.choice((0.0, 0.0, 0.01, 0.05)))
        finally:
            connections.close_all()

    def sequence_often() -> None:
        try:
            while not ended.is_set():
                sequence_changes()
                time.sleep(0.002)
        finally:
            connections.close_all()

    ended = threading.Event()
    with ThreadPoolExecutor(TECHNICIANS + 1) as pool:
        placing = pool.submit(sequence_often)
        try:
            list(pool.map(look_often, range(TECHNICIANS)))
        finally:
            ended.set()
        placing.result()
    sequence_changes()
    of_call = [
        entry.change.pk
        for entry in feed_read(limit=500).entries
        if entry.change.thread_id == call.public_id
    ]
    assert len(of_call) >= TECHNICIANS * (LOOKS + 1)
    assert of_call == sorted(of_call)
