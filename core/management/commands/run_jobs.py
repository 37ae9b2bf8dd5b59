"""``manage.py run_jobs``: work off the job table, with the schedule's beat beside."""

from __future__ import annotations

import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from core.jobs.beat import Beat
from core.jobs.runner import Runner
from core.stop_signals import on_stop


class Command(BaseCommand):
    """Run jobs until told to end."""

    help = (
        "Work off background jobs and keep the schedule, until SIGTERM. Running jobs then have"
        " the grace time to end; what is left is given back for the next runner."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Threads, grace, and whether to beat."""
        parser.add_argument("--threads", type=int, default=2, help="jobs at once (2)")
        parser.add_argument("--grace", type=float, default=20.0, help="seconds to end in (20)")
        parser.add_argument("--no-beat", action="store_true", help="leave the schedule to others")

    def handle(self, *_: Any, **options: Any) -> None:
        """Run."""
        runner = Runner(
            threads=options["threads"],
            grace_s=options["grace"],
            beat=None if options["no_beat"] else Beat(),
        )
        on_stop(runner.stop)
        sys.exit(runner.run())
