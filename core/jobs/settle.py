"""What becomes of a claim when its run does not end in its effects: failed, given back, lost.

Every write here is fenced with the claim's token: a run that lost its job changes nothing.
"""

from __future__ import annotations

import datetime as dt
import random

from django.db.models import F, QuerySet

from core import clock
from core.jobs.claim import Claim
from core.jobs.limits import FIRST_BACK_OFF_S, LONGEST_BACK_OFF_S, job_limits
from core.jobs.stale import drop_stale_connection
from core.models.jobs import Job, JobState
from core.tenancy.scope import everywhere

_WHY = "a run settles its own job, fenced by its token, whatever scope its handler left"
_LONGEST_ERROR = 2000
_chance = random.SystemRandom()


def held(claim: Claim) -> QuerySet[Job]:
    """The job's row while the claim is good; no row once it was taken over, cancelled or ended."""
    return Job.objects.filter(pk=claim.job_pk, token=claim.token, state=JobState.RUNNING)


def is_held(claim: Claim) -> bool:
    """Whether the claim is still good."""
    with everywhere(reason=_WHY):
        return held(claim).exists()


def renew_lease(claim: Claim) -> bool:
    """Give a sign of life. False: the job is not the claim's any more."""
    at = clock.now()
    lease = dt.timedelta(seconds=job_limits().lease_s)
    with everywhere(reason=_WHY):
        return bool(held(claim).update(heartbeat_at=at, lease_until=at + lease))


def fail(claim: Claim, error: str, *, again: bool = True) -> JobState | None:
    """Put the job back with a back-off, or, out of attempts or not ``again``, make it dead.

    Returns its state, or None where the claim was lost already.
    """
    drop_stale_connection()
    at = clock.now()
    dead = not again or claim.attempt >= claim.max_attempts
    state = JobState.DEAD if dead else JobState.QUEUED
    wait = dt.timedelta(seconds=back_off_s(claim.attempt))
    with everywhere(reason=_WHY):
        settled = held(claim).update(
            state=state,
            token="",
            lease_until=None,
            run_after=None if dead else at + wait,
            published_at=None,
            ended_at=at if dead else None,
            error=error[:_LONGEST_ERROR],
        )
    return state if settled else None


def release(claim: Claim) -> bool:
    """Give the job back unharmed, for the next worker: a process that has to end did not fail."""
    drop_stale_connection()
    with everywhere(reason=_WHY):
        return bool(
            held(claim).update(
                state=JobState.QUEUED,
                token="",
                lease_until=None,
                run_after=None,
                published_at=None,
                attempts=F("attempts") - 1,
            )
        )


def back_off_s(attempt: int) -> float:
    """Seconds to wait after this attempt failed: doubling, capped, then half to all of it."""
    full = min(LONGEST_BACK_OFF_S, FIRST_BACK_OFF_S * 2.0 ** min(attempt - 1, 20))
    return full * _chance.uniform(0.5, 1.0)
