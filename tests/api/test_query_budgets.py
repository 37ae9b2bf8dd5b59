"""How many queries each address costs, pinned in one file; more rows cost no more queries."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from core.accounts.actor import Actor, system_actor
from core.changes.sequencer import sequence_changes
from core.clock import now
from core.models import Contractor
from core.tenancy.scope import contractor_scope
from faults.services.events import EventReport, events_report
from tests.api.asking import Asker
from tests.api.routes import ROUTES, Route
from tests.api.things import THINGS, a_crew, a_path, a_person, a_repair, a_trace

pytestmark = pytest.mark.slow

BUDGETS = Path(__file__).with_name("query_budgets.json")
READS = [route for route in ROUTES if "GET" in route.methods]


def budgets() -> dict[str, int]:
    found: dict[str, int] = json.loads(BUDGETS.read_text(encoding="utf-8"))
    return found


def queries(ask: Callable[[], Any]) -> int:
    """Statements that read or write rows; those of transactions and scopes are the driver's."""
    with CaptureQueriesContext(connection) as seen:
        answer = ask()
    assert answer.status_code < 300, answer.json()
    words = ("SELECT", "INSERT", "UPDATE", "DELETE")
    rows = [q["sql"] for q in seen.captured_queries if q["sql"].startswith(words)]
    return sum("set_config" not in sql for sql in rows)


def named(make: Callable[[Actor, str], str]) -> Callable[[Actor], str]:
    numbers = iter(range(1000))
    return lambda by: make(by, f"Number {next(numbers)}")


MAKERS = THINGS | {"people": named(a_person), "crews": named(a_crew)}
OF_A_LIST: dict[str, Callable[[Actor], str]] = {
    "changes": a_path,
    "me": lambda by: "",
    "openapi.json": lambda by: "",
    "inspection-rules": lambda by: "",
    "work-rules": lambda by: "",
    "audit": lambda by: a_repair(by).public_id,
}
ASKED = {
    # Nothing is suspected on the things made here, so that a place has to be named.
    "/calls/{id}/partial-restore/proposal": "?kind=device&place=D5",
    "/audit/events": "?figure=by-device-kind&row=decoder&column=failures",
    "/audit/table": "?table=raw-repairs",
}
"""What an address cannot do without."""


@pytest.fixture
def by(contractor: Contractor) -> Actor:
    return system_actor(contractor.pk, "tests")


def make(by: Actor, route: Route, count: int) -> str:
    maker = MAKERS.get(route.word) or OF_A_LIST[route.word]
    with contractor_scope(by.contractor_id):
        made = [maker(by) for _ in range(count)]
    sequence_changes()
    return made[0]


def test_every_address_that_is_read_has_its_budget() -> None:
    assert {f"GET {route.path}" for route in READS} <= set(budgets())


@pytest.mark.parametrize("route", READS, ids=lambda route: route.path)
def test_reading_costs_what_its_budget_says(machine: Asker, by: Actor, route: Route) -> None:
    machine.get("/me")
    path = route.at(make(by, route, 2)) + ASKED.get(route.path, "")
    few = queries(lambda: machine.get(path))
    assert few == budgets()[f"GET {route.path}"]
    if not route.has_id:
        make(by, route, 18)
        assert queries(lambda: machine.get(path)) == few


def test_lists_within_a_thing_cost_the_same_for_many_rows(machine: Asker, by: Actor) -> None:
    with contractor_scope(by.contractor_id):
        path = a_path(by)
        report = EventReport(kind="overcurrent", at=now(), path=path)
        events_report(reports=[report] * 2, by=by)
    call = machine.get("/calls").json()["items"][0]["id"]
    few = queries(lambda: machine.get(f"/calls/{call}/events"))
    with contractor_scope(by.contractor_id):
        events_report(reports=[report] * 20, by=by)
    assert len(machine.get(f"/calls/{call}/events").json()["items"]) == 22
    assert queries(lambda: machine.get(f"/calls/{call}/events")) == few


def test_writing_costs_what_its_budget_says(machine: Asker, by: Actor) -> None:
    machine.get("/me")
    body = {"name": "Meadow Court", "time_zone": "UTC"}
    found = {"POST /properties": queries(lambda: machine.post("/properties", body))}
    with_key = queries(lambda: machine.post("/properties", body, Idempotency_Key="q1"))
    found["POST /properties with a key"] = with_key
    with contractor_scope(by.contractor_id):
        path, trace = a_path(by), a_trace(by)
    event = {"kind": "overcurrent", "at": now().isoformat(), "path": path}
    found["POST /events"] = queries(lambda: machine.post("/events", event))
    many = {"events": [event] * 10}
    found["POST /events/bulk, ten of one path"] = queries(
        lambda: machine.post("/events/bulk", many)
    )
    told_body = {
        "client_id": "o1",
        "client_seq": 1,
        "client_at": now().isoformat(),
        "observation": {"do": "message", "shown": True},
    }
    found["POST /traces/{id}/observations"] = queries(
        lambda: machine.post(f"/traces/{trace.public_id}/observations", told_body)
    )
    assert found == {name: budget for name, budget in budgets().items() if "POST" in name}
