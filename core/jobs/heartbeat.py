"""Signs of life of a running job: without them a job longer than its lease would never end."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

from django.db import DatabaseError, connection

from core.jobs.claim import Claim
from core.jobs.limits import job_limits
from core.jobs.settle import renew_lease

log = logging.getLogger("core.jobs")


@contextmanager
def heart_beating(claim: Claim, lost: threading.Event, limit_s: float) -> Iterator[None]:
    """Renew the lease each third of it, in a thread, for at most ``limit_s`` seconds.

    ``lost`` is set when the job is not the claim's any more. A run past its limit goes quiet, so
    that a handler that hangs is taken for dead and the job goes to another worker.
    """
    ended = threading.Event()
    thread = threading.Thread(
        target=_beat, args=(claim, lost, ended, limit_s), name=f"heart of {claim.job_id}"
    )
    thread.daemon = True
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()


def _beat(claim: Claim, lost: threading.Event, ended: threading.Event, limit_s: float) -> None:
    last_s = time.monotonic() + limit_s
    every_s = job_limits().heartbeat_s
    try:
        while not ended.wait(every_s):
            if time.monotonic() > last_s:
                log.error("job %s %s: over its %g s", claim.kind, claim.job_id, limit_s)
                return
            try:
                if not renew_lease(claim):
                    lost.set()
                    return
            except DatabaseError:
                log.warning("job %s %s: no sign of life written", claim.kind, claim.job_id)
                connection.close()
    finally:
        connection.close()
