"""Asks for the run of the night on which Madrid put its clocks forward."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from core.accounts.actor import system_actor
from core.jobs.ask import job_enqueue
from core.models import Contractor
from core.tenancy.scope import contractor_scope
from faults.services.recurrence_runs import RECURRENCE, run_ask_night
from tests.trouble.history import NOW


class Command(BaseCommand):
    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("how", choices=["night", "beside"])

    def handle(self, *_: Any, how: str, **__: Any) -> None:
        contractor = Contractor.objects.get()
        with contractor_scope(contractor.pk):
            job = run_ask_night(contractor_id=contractor.pk, day=NOW.date())
            if how == "beside":
                by = system_actor(contractor.pk, "tests")
                job_enqueue(by=by, kind=RECURRENCE, payload=job.payload)
