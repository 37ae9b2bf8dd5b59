"""Jobs done here and now, as a worker would."""

from __future__ import annotations

from core.jobs.run import run_job
from core.models import Job, JobState
from core.tenancy.scope import everywhere


def run_jobs() -> None:
    """Run what is queued, in its order."""
    with everywhere(reason="a worker takes jobs of any contractor"):
        queued = list(Job.objects.filter(state=JobState.QUEUED).order_by("pk"))
    for job in queued:
        run_job(job.pk)
