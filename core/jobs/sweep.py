"""Mending what a lost worker, a lost message or a clock set back left behind."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.conf import settings
from django.db import transaction
from django.db.models import F, Q

from core import clock
from core.jobs.claim import lease_over, waiting
from core.jobs.limits import LONGEST_BACK_OFF_S, job_limits
from core.jobs.publisher import offer_job
from core.models.jobs import Job, JobState
from core.tenancy.scope import everywhere

_WHY = "the sweep mends the jobs of all contractors"
_MOST_PUBLISHED = 500
_UNHEARD = dt.timedelta(seconds=5)
_PUBLISH_AGAIN = dt.timedelta(seconds=30)


@dataclass(frozen=True, slots=True)
class Swept:
    """How many jobs were made dead, brought back from a time to come, and published again."""

    buried: int
    hurried: int
    published: int


def sweep() -> Swept:
    """Mend the job table and tell the broker again of what waits."""
    with everywhere(reason=_WHY):
        return Swept(_bury(), _hurry(), _publish() if settings.REDIS_URL else 0)


def _bury() -> int:
    """The worker was lost on the last attempt too: the job may be what kills it."""
    at = clock.now()
    lost = Job.objects.filter(lease_over(at), attempts__gte=F("max_attempts"))
    return lost.update(
        state=JobState.DEAD,
        token="",
        lease_until=None,
        ended_at=at,
        error="The worker was lost or hung on every attempt.",
    )


def _hurry() -> int:
    """A clock set back leaves leases and back-offs that end in an hour: cut them to their size."""
    at = clock.now()
    lease_end = at + dt.timedelta(seconds=job_limits().lease_s)
    longest = at + dt.timedelta(seconds=LONGEST_BACK_OFF_S)
    leased = Job.objects.filter(state=JobState.RUNNING, lease_until__gt=lease_end)
    held_up = Job.objects.filter(state=JobState.QUEUED, attempts__gt=0, run_after__gt=longest)
    return leased.update(lease_until=lease_end) + held_up.update(run_after=None)


@transaction.atomic
def _publish() -> int:
    """Only what the broker should have had by now, a batch at a time, so that nothing piles up."""
    at = clock.now()
    # After a clock set back the times written before it say nothing.
    told = Q(published_at__gt=at - _PUBLISH_AGAIN, published_at__lte=at)
    fresh = Q(published_at=None, run_after=None, created_at__gt=at - _UNHEARD, created_at__lte=at)
    waits = Job.objects.filter(waiting(at)).exclude(told).exclude(fresh & Q(attempts=0))
    lost = Job.objects.filter(lease_over(at), attempts__lt=F("max_attempts"))
    # What was told while its worker still had it was not taken.
    lost = lost.exclude(told & Q(published_at__gt=F("lease_until")))
    ids = [
        *lost.order_by("pk").values_list("pk", flat=True)[:_MOST_PUBLISHED],
        *waits.order_by("pk").values_list("pk", flat=True)[:_MOST_PUBLISHED],
    ][:_MOST_PUBLISHED]
    offered = [pk for pk in ids if offer_job(pk)]
    Job.objects.filter(pk__in=offered).update(published_at=at)
    return len(offered)
