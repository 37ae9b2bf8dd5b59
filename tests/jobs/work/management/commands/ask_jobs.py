"""Ask for jobs as requests would, tell how long each took, and hold out while services are away."""

from __future__ import annotations

import json
import time
from typing import Any

from django.core.management.base import BaseCommand, CommandParser
from django.db import DatabaseError, connection

from core.accounts.actor import system_actor
from core.jobs.ask import job_enqueue
from core.jobs.publisher import get_ready_to_publish
from core.models import Contractor
from core.tenancy.scope import contractor_scope, everywhere


class Command(BaseCommand):
    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--kind", default="test.append")
        parser.add_argument("--count", type=int, default=1)
        parser.add_argument("--seconds", type=float, default=0.0, help="work of one job")
        parser.add_argument("--every", type=float, default=0.0, help="seconds between two")
        parser.add_argument("--key", default="", help="start of the dedupe keys")

    def handle(self, *_: Any, **options: Any) -> None:
        with everywhere(reason="a test begins"):
            contractor = Contractor.objects.order_by("pk").first()
        assert contractor is not None
        # As the web server's start does.
        get_ready_to_publish()
        jobs, took_ms, refused = [], [], 0
        for number in range(options["count"]):
            while True:
                started_s = time.perf_counter()
                try:
                    jobs.append(_ask(contractor.pk, number, options))
                except DatabaseError:
                    refused += 1
                    connection.close()
                    time.sleep(0.1)
                    continue
                took_ms.append(1000.0 * (time.perf_counter() - started_s))
                break
            time.sleep(options["every"])
        self.stdout.write(json.dumps({"jobs": jobs, "ms": took_ms, "refused": refused}))


def _ask(contractor_id: int, number: int, options: dict[str, Any]) -> str:
    key = f"{options['key']}{number}" if options["key"] else ""
    with contractor_scope(contractor_id):
        job = job_enqueue(
            by=system_actor(contractor_id, "tests"),
            kind=options["kind"],
            payload={"seconds": options["seconds"]},
            dedupe_key=key,
        )
    return job.public_id
