"""Telling a broker about a job without waiting for the broker.

Ids go through a bounded queue to one thread. A full queue or a broker that does not answer drops
the id: the job is in the table, and the sweep tells the broker again.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable
from functools import cache

from django.conf import settings

log = logging.getLogger("core.jobs")

MOST_WAITING = 1000
_PAUSE_S = 1.0


class Publisher:
    """A bounded queue and the one thread that empties it into ``send``."""

    def __init__(self, send: Callable[[int], None], *, most_waiting: int = MOST_WAITING) -> None:
        self._send = send
        self._waiting: queue.Queue[int] = queue.Queue(most_waiting)
        self._thread: threading.Thread | None = None
        self._starting = threading.Lock()

    def offer(self, job_pk: int) -> bool:
        """Queue the id and return at once; False: there was no room."""
        self._start_thread()
        try:
            self._waiting.put_nowait(job_pk)
        except queue.Full:
            return False
        return True

    def _start_thread(self) -> None:
        # A process that was forked off has the object but not the thread.
        with self._starting:
            if self._thread is None or not self._thread.is_alive():
                self._thread = threading.Thread(target=self._run, name="publisher", daemon=True)
                self._thread.start()

    def _run(self) -> None:
        while True:
            job_pk = self._waiting.get()
            try:
                self._send(job_pk)
            except Exception as problem:  # noqa: BLE001 - each driver has errors of its own
                log.warning("the broker does not take job %d: %s", job_pk, problem)
                time.sleep(_PAUSE_S)


def offer_job(job_pk: int) -> bool:
    """Tell the broker of a committed job, later; without a broker the runner finds it itself."""
    return _publisher().offer(job_pk) if settings.REDIS_URL else True


def get_ready_to_publish() -> None:
    """For the start of a web server: its first request would pay for importing Celery."""
    if settings.REDIS_URL:
        _publisher()


@cache
def _publisher() -> Publisher:
    # Celery takes 0.3 s to import; a process that publishes nothing does without.
    from core.celery import app, publish  # noqa: PLC0415

    # What it imports late by itself.
    app.finalize()
    _ = app.amqp.queues

    return Publisher(publish)
