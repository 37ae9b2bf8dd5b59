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


def claim_lost() -> Claim | None:
    """Take over the job whose lease is over for the longest; None where there is none."""
    at = clock.now()
    with everywhere(reason=_WHY):
        lost = Job.objects.filter(lease_over(at), attempts__lt=F("max_attempts"))
        ids = list(lost.order_by("lease_until", "pk").values_list("pk", flat=True)[:_LOOKED_AT])
    return _first_won(ids)


def claim_waiting() -> Claim | None:
    """Take the oldest job that waits and is due; None where there is none."""
    at = clock.now()
    with everywhere(reason=_WHY):
        due = Job.objects.filter(waiting(at), attempts__lt=F("max_attempts"))
        ids = list(due.order_by("pk").values_list("pk", flat=True)[:_LOOKED_AT])
    return _first_won(ids)


def claim_next() -> Claim | None:
    """Take a job: one whose worker was lost, or else the oldest that waits."""
    return claim_lost() or claim_waiting()


def _first_won(ids: list[int]) -> Claim | None:
    return next(filter(None, map(claim_job, ids)), None)


def waiting(at: dt.datetime) -> Q:
    """Jobs that wait and may start at ``at``."""
    return Q(state=JobState.QUEUED) & (Q(run_after=None) | Q(run_after__lte=at))


def lease_over(at: dt.datetime) -> Q:
    """Jobs whose worker was not heard of in time."""
    return Q(state=JobState.RUNNING, lease_until__lt=at)
