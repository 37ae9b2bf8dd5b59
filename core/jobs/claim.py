"""Taking a job: a conditional UPDATE, so that of any number of workers one gets it."""

from __future__ import annotations

import datetime as dt
import uuid
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.db.models import F, Q

from core import clock
from core.jobs.limits import job_limits
from core.models.jobs import Job, JobState
from core.tenancy.scope import everywhere

_WHY = "a worker takes any contractor's job, and works in that contractor's scope after"
_LOOKED_AT = 20


@dataclass(frozen=True, slots=True)
class Claim:
    """The right to run a job and to write its effects, as long as ``token`` is the row's."""

    job_pk: int
    job_id: str
    contractor_id: int
    kind: str
    payload: dict[str, Any]
    token: str
    attempt: int
    max_attempts: int


def claim_job(job_pk: int) -> Claim | None:
    """Take this job if it waits and is due, or if its worker's lease is over; else None."""
    at = clock.now()
    token = uuid.uuid4().hex
    with everywhere(reason=_WHY), transaction.atomic():
        won = (
            Job.objects.filter(waiting(at) | lease_over(at), pk=job_pk)
            .filter(attempts__lt=F("max_attempts"))
            .update(
                state=JobState.RUNNING,
                token=token,
                attempts=F("attempts") + 1,
                lease_until=at + dt.timedelta(seconds=job_limits().lease_s),
                heartbeat_at=at,
                started_at=at,
                progress_share=0.0,
                progress_words="",
            )
        )
        if not won:
            return None
        job = Job.objects.get(pk=job_pk)
    return Claim(
        job_pk=job.pk,
        job_id=job.public_id,
        contractor_id=job.contractor_id,
        kind=job.kind,
        payload=job.payload,
        token=token,
        attempt=job.attempts,
        max_attempts=job.max_attempts,
    )


def claim_next() -> Claim | None:
    """Take the oldest job that can be taken; None where there is none."""
    for job_pk in claimable_ids(_LOOKED_AT):
        claim = claim_job(job_pk)
        if claim is not None:
            return claim
    return None


def claimable_ids(most: int) -> list[int]:
    """Ids of jobs to take: those whose worker was lost, then those that wait, oldest first."""
    at = clock.now()
    with everywhere(reason=_WHY):
        # Two questions instead of one with OR: each has its own small index.
        left = Job.objects.filter(attempts__lt=F("max_attempts"))
        lost = left.filter(lease_over(at)).order_by("lease_until").values_list("pk", flat=True)
        due = left.filter(waiting(at)).order_by("pk").values_list("pk", flat=True)
        return [*lost[:most], *due[:most]][:most]


def waiting(at: dt.datetime) -> Q:
    """Jobs that wait and may start at ``at``."""
    return Q(state=JobState.QUEUED) & (Q(run_after=None) | Q(run_after__lte=at))


def lease_over(at: dt.datetime) -> Q:
    """Jobs whose worker was not heard of in time."""
    return Q(state=JobState.RUNNING, lease_until__lt=at)
