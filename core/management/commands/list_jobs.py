"""``manage.py list_jobs``: how much waits, and what died of what."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from core.jobs.selectors import job_counts, job_list
from core.models.jobs import JobState
from core.tenancy.scope import everywhere


class Command(BaseCommand):
    """Show counts by state, and the newest jobs of one state."""

    help = "Count background jobs by state, and list the newest of one state (dead)."

    def add_arguments(self, parser: CommandParser) -> None:
        """Which state to list."""
        parser.add_argument("--state", choices=JobState.values, default=JobState.DEAD.value)
        parser.add_argument("--most", type=int, default=20, help="jobs to list (20)")

    def handle(self, *_: Any, **options: Any) -> None:
        """Print."""
        for state, count in job_counts().items():
            self.stdout.write(f"{count:8d} {state.value}")
        with everywhere(reason="the operator looks at the whole installation"):
            for job in job_list(state=JobState(options["state"]))[: options["most"]]:
                first_line = (job.error or "-").splitlines()[0][:100]
                self.stdout.write(
                    f"{job.public_id} {job.kind} attempts {job.attempts}/{job.max_attempts}"
                    f" {first_line}"
                )
