"""A hundred threads that send one request with one key, to each of several addresses.

``main`` does so on a database file of its own, in a process: threads cannot share one in memory.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from django.db import connection, models
from django.test import Client

from core.accounts.actor import Actor, TokenScope, system_actor
from core.accounts.people import contractor_create
from core.models import Contractor, Crew
from core.tenancy.scope import contractor_scope, everywhere
from faults.models import Observation, Trace
from faults.services.calls import Where, call_open
from sites.models import WirePath
from tests.api.asking import with_token
from tests.api.things import a_call, a_controller, a_trace
from tests.faults.places import path_at_new_place
from tests.sites.surveys import straight_survey

THREADS = 100
ONE_EFFECT = {"new": 1, "replayed": THREADS - 1, "answers": 1, "rows": 1}
"""One answer was new, all others replays of it."""

REFUSED = Counter({"409": THREADS})


@dataclass(frozen=True)
class Case:
    """A POST: where it goes and what it sends, once what it needs is made; rows of what it does;
    what a hundred of them are told."""

    request: Callable[[Actor], tuple[str, Any]]
    rows: type[models.Model]
    told: Counter[str] = field(default_factory=lambda: Counter(ONE_EFFECT))


def _trace_without_path(by: Actor) -> tuple[str, Any]:
    place = path_at_new_place(by).controller.property
    return "/traces", {"call": call_open(where=Where(place), by=by).public_id}


def _observation(by: Actor) -> tuple[str, Any]:
    told = {"client_id": "o1", "client_seq": 1, "client_at": "2026-03-02T08:00:00Z"}
    body = told | {"observation": {"do": "message", "shown": True}}
    return f"/traces/{a_trace(by).public_id}/observations", body


CASES = {
    "crews": Case(lambda _: ("/crews", {"name": "North", "members": []}), Crew),
    "traces": Case(lambda by: ("/traces", {"call": a_call(by)}), Trace),
    "observations": Case(_observation, Observation),
    "wire-paths": Case(
        lambda by: (f"/controllers/{a_controller(by)}/wire-paths", straight_survey(5)), WirePath
    ),
    "refused": Case(_trace_without_path, Trace, REFUSED),
}


def found_by_threads(contractor: Contractor, name: str) -> Counter[str]:
    """How many answers were new, how many replays, anything else by its status; how many differed
    of those that were no problems, and how many rows came to be."""
    case = CASES[name]
    token = with_token(contractor, list(TokenScope)).token
    with contractor_scope(contractor.pk):
        path, body = case.request(system_actor(contractor.pk, "tests"))
        before = case.rows._default_manager.count()
    found = _statuses_of_threads(f"/api/v1{path}", body, token)
    with contractor_scope(contractor.pk):
        return found + Counter(rows=case.rows._default_manager.count() - before)


def _statuses_of_threads(address: str, body: Any, token: str) -> Counter[str]:
    found: Counter[str] = Counter()
    answers: set[bytes] = set()
    start = threading.Barrier(THREADS)

    def send() -> None:
        client = Client(raise_request_exception=False)
        headers = {"Authorization": f"Bearer {token}", "Idempotency-Key": "one"}
        start.wait()
        answer = client.post(
            address, json.dumps(body), content_type="application/json", headers=headers
        )
        # Who is told that the first is still under way, and when to come again, does.
        while after := answer.headers.get("Retry-After"):
            time.sleep(float(after))
            answer = client.post(
                address, json.dumps(body), content_type="application/json", headers=headers
            )
        replayed = answer.headers.get("Idempotency-Replayed") == "true"
        kind = ("replayed" if replayed else "new") if answer.status_code == 201 else None
        found[kind or str(answer.status_code)] += 1
        if kind:
            answers.add(answer.content)
        connection.close()

    threads = [threading.Thread(target=send) for _ in range(THREADS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return found + Counter(answers=len(answers))


def main() -> None:
    """Send, and write what came back and is there; the framework has to be set up, tables laid."""
    with everywhere(reason="a test begins"):
        contractor = contractor_create(name="Alder Water Works")
    json.dump({name: found_by_threads(contractor, name) for name in CASES}, sys.stdout)
