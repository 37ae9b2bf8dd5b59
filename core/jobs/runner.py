"""The runner: a few threads that take jobs from the table, beside the beat of the schedule.

It needs no broker. It serves the embedded default, and any installation where the table alone is
fast enough.
"""

from __future__ import annotations

import logging
import threading
import time

from django.db import DatabaseError, connection

from core.jobs.beat import Beat, tick_safely
from core.jobs.claim import claim_lost, claim_waiting
from core.jobs.kinds import UnknownKindError, kind_named, load_tasks
from core.jobs.limits import MAX_RUN_S
from core.jobs.run import JobRun, run_claimed
from core.jobs.settle import fail, release
from core.jobs.stale import drop_stale_connection

log = logging.getLogger("core.jobs")

ENDED_WELL = 0
ENDED_HUNG = 75

_TICK_S = 0.5
_DATABASE_PAUSE_S = 0.5


class Runner:
    """``threads`` jobs at once; ``grace_s`` for running ones to end once told to stop."""

    def __init__(
        self, *, threads: int, grace_s: float = 20.0, poll_s: float = 0.2, beat: Beat | None
    ) -> None:
        if threads < 0:
            raise ValueError(f"threads is {threads}; expected 0 or more")
        self._threads = [
            threading.Thread(target=self._work, name=f"worker {n + 1}", daemon=True)
            for n in range(threads)
        ]
        self._grace_s = grace_s
        self._poll_s = poll_s
        self._beat = beat
        self._stopping = threading.Event()
        self._lock = threading.Lock()
        self._claiming = threading.Lock()
        self._active: dict[JobRun, float] = {}
        self._suspects: set[JobRun] = set()

    def stop(self) -> None:
        """Take no more jobs and end; safe in a signal handler."""
        self._stopping.set()

    def run(self) -> int:
        """Work until told to stop; the exit status.

        ``ENDED_HUNG``: a handler went on long past its limit, so the process has to go; whoever
        started it starts it again.
        """
        load_tasks()
        for thread in self._threads:
            thread.start()
        hung: list[JobRun] = []
        while not hung and not self._stopping.wait(_TICK_S):
            if self._beat is not None:
                tick_safely(self._beat)
            hung = self._hung()
        self._stopping.set()
        self._end(hung)
        connection.close()
        return ENDED_HUNG if hung else ENDED_WELL

    def _end(self, hung: list[JobRun]) -> None:
        end_s = time.monotonic() + self._grace_s
        for thread in self._threads:
            thread.join(max(0.0, end_s - time.monotonic()))
        with self._lock:
            left = list(self._active)
        for run in left:
            try:
                if run in hung:
                    fail(run.claim, "It hung: it went on far past its limit.")
                else:
                    log.warning("job %s: given back, it did not end in time", run.claim.job_id)
                    release(run.claim)
            except DatabaseError:
                log.exception("job %s: left to its lease", run.claim.job_id)
                connection.close()

    def _work(self) -> None:
        while not self._stopping.is_set():
            try:
                worked = self._work_once()
            except DatabaseError as problem:
                log.warning("the database does not answer: %s", problem)
                connection.close()
                self._stopping.wait(_DATABASE_PAUSE_S)
                continue
            if not worked:
                self._stopping.wait(self._poll_s)
        connection.close()

    def _work_once(self) -> bool:
        drop_stale_connection()
        run = self._claim()
        if run is None:
            return False
        try:
            run_claimed(run)
        finally:
            with self._lock:
                del self._active[run]
                self._suspects.discard(run)
        return True

    def _claim(self) -> JobRun | None:
        """A job to run. Of those whose worker was lost only one at a time.

        It may be one of them that takes its worker along; run together, the innocent would be
        lost as often as it, and be dead with it.
        """
        with self._claiming:
            lost = claim_lost() if not self._suspects else None
            claim = lost or claim_waiting()
            if claim is None:
                return None
            run = JobRun(claim)
            with self._lock:
                self._active[run] = time.monotonic() + _limit_s(claim.kind)
                if lost is not None:
                    self._suspects.add(run)
        return run

    def _hung(self) -> list[JobRun]:
        """Runs so far past their limit that only the end of the process ends them."""
        with self._lock:
            late = [run for run, end_s in self._active.items() if time.monotonic() > end_s]
        for run in late:
            log.error("job %s %s hangs: the runner ends", run.claim.kind, run.claim.job_id)
        return late


def _limit_s(kind: str) -> float:
    """Twice the kind's limit: handlers that look whether they are cancelled end by themselves."""
    try:
        return 2.0 * kind_named(kind).limit_s
    except UnknownKindError:
        return MAX_RUN_S
