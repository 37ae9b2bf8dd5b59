"""A hundred threads, a quarter to each of four addresses, that send one request with one key.

``main`` does so on a database file of its own, in a process: threads cannot share one in memory.
"""

from __future__ import annotations

import json
import sys
import threading
from collections import Counter

from django.db import connection
from django.test import Client

from core.accounts.actor import Actor, TokenScope, system_actor
from core.accounts.people import contractor_create
from core.models import Contractor, Crew
from core.tenancy.scope import contractor_scope, everywhere
from faults.models import Observation, Trace
from sites.forms.survey import survey_document
from sites.models import WirePath
from tests.api.asking import with_token
from tests.api.things import a_call, a_controller
from tests.faults.hunts import Hunt, played_bodies
from tests.tracing.drives import tree_path

EACH = 25
"""Threads for one address."""

WORDS = ("crews", "traces", "observations", "wire-paths")
ONCE = {f"{word} {kind}": n for word in WORDS for kind, n in (("new", 1), ("replayed", EACH - 1))}
"""What the threads get where each request has one effect and one answer."""


def requests_of(by: Actor) -> dict[str, tuple[str, object]]:
    """Address and body by word; two of the four keep their effect by themselves."""
    hunt = Hunt(by)
    told = {
        "client_id": "o1",
        "client_seq": 1,
        "client_at": "2026-03-02T09:00:00Z",
        "observation": played_bodies(hunt.rehearsal)[1][0],
    }
    survey = survey_document(tree_path())
    return {
        "crews": ("crews", {"name": "North", "members": []}),
        "traces": ("traces", {"call": a_call(by)}),
        "observations": (f"traces/{hunt.trace.public_id}/observations", told),
        "wire-paths": (f"controllers/{a_controller(by)}/wire-paths?label=Second", survey),
    }


def statuses_of_threads(contractor: Contractor) -> Counter[str]:
    """How many answers were new, how many replays, by word; anything else by its status."""
    found: Counter[str] = Counter()
    token = with_token(contractor, list(TokenScope)).token
    with contractor_scope(contractor.pk):
        requests = requests_of(system_actor(contractor.pk, "tests"))
    start = threading.Barrier(EACH * len(requests))

    def send(word: str) -> None:
        path, body = requests[word]
        client = Client(raise_request_exception=False)
        start.wait()
        answer = client.post(
            f"/api/v1/{path}",
            json.dumps(body),
            content_type="application/json",
            headers={"Authorization": f"Bearer {token}", "Idempotency-Key": f"one-{word}"},
        )
        replayed = answer.headers.get("Idempotency-Replayed") == "true"
        kind = ("replayed" if replayed else "new") if answer.status_code == 201 else None
        found[f"{word} {kind or answer.status_code}"] += 1
        connection.close()

    threads = [threading.Thread(target=send, args=[word]) for word in requests for _ in range(EACH)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return found


def main() -> None:
    """Send, and write what came back and is there; the framework has to be set up, tables laid."""
    with everywhere(reason="a test begins"):
        contractor = contractor_create(name="Alder Water Works")
    json.dump([statuses_of_threads(contractor), effects()], sys.stdout)


def effects() -> dict[str, int]:
    """What is there of what was sent."""
    with everywhere(reason="a test ends"):
        return {
            "crews": Crew.objects.count(),
            "traces": Trace.objects.count() - 1,  # beside the one that is observed
            "observations": Observation.objects.count(),
            "wire-paths": WirePath.objects.filter(label="Second").count(),
        }
