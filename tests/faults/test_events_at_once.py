"""Batches of events that come in at once wait for one another and never lock crosswise."""

from __future__ import annotations

import datetime as dt
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest
from django.db import connection, connections

from core.accounts.actor import Actor
from core.clock import now
from core.models import Contractor
from core.tenancy.scope import contractor_scope
from faults.models import CallEvent, FaultCall
from faults.services.calls import Where, call_open
from faults.services.events import EventReport, events_report
from sites.models import WirePath
from tests.faults.places import path_at_new_place

BATCHES = 6
ROUNDS = 10


def batch(paths: list[WirePath]) -> list[EventReport]:
    """Of each path in this order a *cleared*, then an overcurrent."""
    at = now() + dt.timedelta(seconds=1)
    kinds = ("cleared", "overcurrent")
    return [EventReport(kind, at, path=path.public_id) for kind in kinds for path in paths]


@pytest.mark.django_db(transaction=True)
def test_batches_of_the_same_paths_in_any_order_all_come_in(
    contractor: Contractor, by: Actor
) -> None:
    if connection.vendor == "sqlite" and connection.is_in_memory_db():  # type: ignore[attr-defined]
        pytest.skip("threads share no SQLite database in memory")
    paths = [path_at_new_place(by), path_at_new_place(by)]
    for path in paths:
        call_open(where=Where.of_path(path), by=by)
    together = Barrier(BATCHES)

    def tell(number: int) -> list[str]:
        try:
            with contractor_scope(contractor.pk):
                states = []
                for _ in range(ROUNDS):
                    together.wait(timeout=60)
                    some = batch(paths if number % 2 else paths[::-1])
                    states += [result.state for result in events_report(reports=some, by=by)]
                return states
        finally:
            connections.close_all()

    with ThreadPoolExecutor(BATCHES) as pool:
        states = [state for some in pool.map(tell, range(BATCHES)) for state in some]
    assert states == ["created"] * (BATCHES * ROUNDS * 4)
    counts = FaultCall.objects.values_list("overcurrents", flat=True)
    assert list(counts) == [BATCHES * ROUNDS] * 2
    assert CallEvent.objects.count() == BATCHES * ROUNDS * 4
