"""``manage.py run_beat``: the schedule's beat alone, where Celery workers do the jobs."""

from __future__ import annotations

import sys
from typing import Any

from django.core.management.base import BaseCommand

from core.jobs.beat import Beat
from core.jobs.runner import Runner
from core.stop_signals import on_stop


class Command(BaseCommand):
    """Keep the schedule until told to end."""

    help = (
        "Keep the schedule (sweep of the job table, feed of changes, nightly work), until SIGTERM."
        " Several may run: each slot is taken once."
    )

    def handle(self, *_: Any, **__: Any) -> None:
        """Run."""
        runner = Runner(threads=0, beat=Beat())
        on_stop(runner.stop)
        sys.exit(runner.run())
