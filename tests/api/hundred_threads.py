"""A hundred threads that send one request with one key.

``main`` does so on a database file of its own, in a process: threads cannot share one in memory.
"""

from __future__ import annotations

import json
import sys
import threading
from collections import Counter

from django.core.management import call_command
from django.db import connection
from django.test import Client

from core.accounts.actor import TokenScope
from core.accounts.people import contractor_create
from core.models import Crew
from core.tenancy.scope import everywhere
from tests.api.asking import with_token

THREADS = 100


def statuses_of_threads(token: str) -> Counter[str]:
    """How many answers were new, how many replays; anything else by its status."""
    found: Counter[str] = Counter()
    start = threading.Barrier(THREADS)

    def send() -> None:
        client = Client(raise_request_exception=False)
        start.wait()
        answer = client.post(
            "/api/v1/crews",
            json.dumps({"name": "North", "members": []}),
            content_type="application/json",
            headers={"Authorization": f"Bearer {token}", "Idempotency-Key": "one"},
        )
        replayed = answer.headers.get("Idempotency-Replayed") == "true"
        kind = ("replayed" if replayed else "new") if answer.status_code == 201 else None
        found[kind or str(answer.status_code)] += 1
        connection.close()

    threads = [threading.Thread(target=send) for _ in range(THREADS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return found


def main() -> None:
    """Make an installation, send, and write what came back; the framework has to be set up."""
    call_command("migrate", verbosity=0)
    with everywhere(reason="a test begins"):
        contractor = contractor_create(name="Alder Water Works")
    found = statuses_of_threads(with_token(contractor, [TokenScope.ADMIN]).token)
    with everywhere(reason="a test ends"):
        found["crews"] = Crew.objects.count()
    json.dump(found, sys.stdout)
