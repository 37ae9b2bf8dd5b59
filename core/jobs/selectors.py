"""Reading jobs."""

from __future__ import annotations

from collections import Counter

from django.db.models import Count, QuerySet

from core.models.jobs import Job, JobState
from core.problems import NotFound
from core.tenancy.scope import everywhere


def job_get(public_id: str) -> Job:
    """The job of the contractor in scope. Raises NotFound."""
    found = Job.objects.filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no job {public_id}.")
    return found


def job_list(*, state: JobState | None = None, kind: str = "") -> QuerySet[Job]:
    """Jobs of the contractor in scope, the newest first."""
    rows = Job.objects.order_by("-pk")
    if state is not None:
        rows = rows.filter(state=state)
    return rows.filter(kind=kind) if kind else rows


def job_counts() -> dict[JobState, int]:
    """How many jobs of all contractors are in each state."""
    with everywhere(reason="counting the work of the whole installation"):
        rows = Job.objects.values_list("state").annotate(Count("pk")).order_by()
        found = Counter(dict(rows))
    return {state: found[state.value] for state in JobState}
