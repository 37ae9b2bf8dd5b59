"""Running one job. Every mode (runner, Celery, tests) comes through ``run_job``."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from django.db import DatabaseError, connection, transaction

from core import clock
from core.accounts.actor import Actor, system_actor
from core.jobs.claim import Claim, claim_job
from core.jobs.heartbeat import heart_beating
from core.jobs.kinds import kind_named
from core.jobs.settle import fail, held, is_held, release
from core.jobs.stale import drop_stale_connection
from core.models.jobs import Job, JobState
from core.tenancy.scope import contractor_scope

log = logging.getLogger("core.jobs")

_LOOK_EVERY_S = 0.5
_SETTLE_TRIES = 5


class ClaimLostError(Exception):
    """The job was cancelled or another worker has it: nothing of this run may be written."""


class GiveUp(Exception):
    """A handler's word that trying again cannot help; the job is dead at once, with these words."""


@dataclass(slots=True)
class Finish:
    """What a finished job leaves in its row."""

    result: Any = None


@dataclass(slots=True, eq=False)
class JobRun:
    """One attempt at a job, as its handler sees it."""

    claim: Claim
    lost: threading.Event = field(default_factory=threading.Event)
    finished: bool = False
    _looked_s: float = 0.0
    _told_s: float = 0.0

    @property
    def payload(self) -> dict[str, Any]:
        """What the job was asked with."""
        return self.claim.payload

    @property
    def by(self) -> Actor:
        """Who acts in the run, for the services it calls: the product, by the job's kind."""
        return system_actor(self.claim.contractor_id, self.claim.kind)

    @property
    def attempt(self) -> int:
        """1 for the first."""
        return self.claim.attempt

    def progress(self, share: float, words: str = "") -> None:
        """Say how far the work is, 0 to 1; written at most twice a second, outside transactions."""
        if time.monotonic() - self._told_s < _LOOK_EVERY_S:
            return
        self._told_s = time.monotonic()
        share = min(1.0, max(0.0, share))
        if not held(self.claim).update(progress_share=share, progress_words=words[:200]):
            self.lost.set()

    def cancelled(self) -> bool:
        """Whether to stop: the job was cancelled or taken over. Looks at most twice a second."""
        if not self.lost.is_set() and time.monotonic() - self._looked_s >= _LOOK_EVERY_S:
            self._looked_s = time.monotonic()
            if not is_held(self.claim):
                self.lost.set()
        return self.lost.is_set()

    @contextmanager
    def finishing(self) -> Iterator[Finish]:
        """Write the effects inside, and little else: they and the job's end are one transaction.

        Raises ClaimLostError, with nothing written, where the job is not this run's any more.
        The row is taken first, so a takeover waits for the end of the transaction and then finds
        the job done.
        """
        if self.finished:
            raise RuntimeError("a job ends once: finishing() was entered again")
        drop_stale_connection()
        with transaction.atomic(durable=True):
            ended = held(self.claim).update(
                state=JobState.DONE,
                ended_at=clock.now(),
                lease_until=None,
                progress_share=1.0,
                error="",
            )
            if not ended:
                raise ClaimLostError(f"{self.claim.job_id} is not this run's any more")
            finish = Finish()
            yield finish
            if finish.result is not None:
                Job.objects.filter(pk=self.claim.job_pk).update(result=finish.result)
        self.finished = True


def run_job(job_pk: int) -> bool:
    """Take the job and run it; False where it is not to be taken (done, held, not due)."""
    claim = claim_job(job_pk)
    if claim is None:
        return False
    run_claimed(JobRun(claim))
    return True


def run_claimed(run: JobRun) -> None:
    """Run the handler of a claimed job and settle what became of it.

    A handler's exception is the job's failure, not the worker's. What ends the process
    (SystemExit, KeyboardInterrupt) gives the job back and goes on up.
    """
    claim = run.claim
    log.info("job %s %s: attempt %d", claim.kind, claim.job_id, claim.attempt)
    try:
        kind = kind_named(claim.kind)
        with contractor_scope(claim.contractor_id), heart_beating(claim, run.lost, kind.limit_s):
            kind.handler(run)
            if not run.finished:
                with run.finishing():
                    pass
    except ClaimLostError as lost:
        log.warning("job %s: %s", claim.kind, lost)
    except GiveUp as refusal:
        words = str(refusal)
        _settle(lambda: fail(claim, words, again=False), claim)
    except Exception as problem:
        log.exception("job %s %s: attempt %d failed", claim.kind, claim.job_id, claim.attempt)
        words = f"{type(problem).__name__}: {problem}"
        _settle(lambda: fail(claim, words), claim)
    except BaseException:
        _settle(lambda: release(claim), claim)
        raise


def _settle(write: Callable[[], object], claim: Claim) -> None:
    """Write, and again where the database does not answer; past that the lease runs out."""
    for attempt in range(1, _SETTLE_TRIES + 1):
        try:
            write()
        except DatabaseError:
            connection.close()
            if attempt == _SETTLE_TRIES:
                log.exception("job %s %s: left to its lease", claim.kind, claim.job_id)
                return
            time.sleep(0.5 * attempt)
        else:
            return
