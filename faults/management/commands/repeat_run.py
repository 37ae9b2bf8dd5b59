"""``manage.py repeat_run``: is a run over a history still what it was, to the last digit?"""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from core.problems import Problem
from core.tenancy.scope import contractor_scope, everywhere
from faults.selectors.trouble import run_get
from faults.services.recurrence_runs import run_repeat


class Command(BaseCommand):
    """Repeat a run from what it kept, and compare."""

    help = (
        "Repeat a run over a contractor's history from what it kept (its moment, parameters and "
        "the paths it watched) and compare all it saw and found. Flags and looks stay as they are."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Which run."""
        parser.add_argument("run", metavar="RUN", help="its id, such as rrun_...")

    def handle(self, **options: Any) -> None:
        """Repeat, and say whether it is the same; status 1 where it is not."""
        try:
            with everywhere(reason="the operator names a run of any contractor"):
                run = run_get(options["run"])
            with contractor_scope(run.contractor_id):
                differs = run_repeat(run)
        except Problem as problem:
            raise CommandError(str(problem)) from problem
        if differs:
            rows = (
                "The rows that it reads are no longer what they were then"
                if "seen" in differs
                else "It read the same rows"
            )
            names = ", ".join(differs)
            raise CommandError(f"{run.public_id} comes out otherwise: {names}. {rows}.")
        self.stdout.write(
            f"{run.public_id} of {run.as_of.isoformat()}: {run.paths} paths, {run.failures} "
            f"failures, {run.flags_found} flags, the same to the last digit."
        )
