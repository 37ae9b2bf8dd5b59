"""``manage.py serve``: the whole installation on one machine with one command."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandParser

from core.stop_signals import on_stop
from core.supervisor import Service, Supervisor


class Command(BaseCommand):
    """Serve pages and API, and do the background work."""

    help = (
        "Start the web server and the background work under a supervisor: the runner, or, where"
        " REDIS_URL is set, a Celery worker and the beat. SIGTERM or Ctrl-C ends all of it."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        """Where to listen, and how many hands."""
        parser.add_argument("--bind", default="127.0.0.1:8000", help="address (127.0.0.1:8000)")
        parser.add_argument("--threads", type=int, default=8, help="requests at once (8)")
        parser.add_argument("--workers", type=int, default=2, help="jobs at once (2)")
        parser.add_argument("--grace", type=float, default=30.0, help="seconds to end in (30)")

    def handle(self, *_: Any, **options: Any) -> None:
        """Run."""
        folder = Path(settings.BASE_DIR)
        web = _web(options["bind"], options["threads"])
        work = _celery(options["workers"]) if settings.REDIS_URL else _runner(options["workers"])
        supervisor = Supervisor([web, *work], folder=folder, grace_s=options["grace"])
        on_stop(supervisor.stop)
        supervisor.run()


def _web(bind: str, threads: int) -> Service:
    words = "-m gunicorn core.wsgi:application --workers 1 --worker-class gthread"
    limits = f"--threads {threads} --graceful-timeout 20 --timeout 60 --bind {bind}"
    return Service("web", (sys.executable, *words.split(), *limits.split()))


def _runner(workers: int) -> list[Service]:
    return [Service("runner", _manage("run_jobs", "--threads", str(workers)))]


def _celery(workers: int) -> list[Service]:
    words = f"-m celery -A core.celery worker --concurrency {workers} --loglevel warning"
    mute = "--without-gossip --without-mingle"
    return [
        Service("worker", (sys.executable, *words.split(), *mute.split())),
        Service("beat", _manage("run_beat")),
    ]


def _manage(*words: str) -> tuple[str, ...]:
    return (sys.executable, "manage.py", *words)
