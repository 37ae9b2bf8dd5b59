"""Another day for the schedule of a served installation: its clock is moved, its jobs are run."""

from __future__ import annotations

import datetime as dt
import json
import sys

import time_machine

from core.jobs.beat import Beat
from core.jobs.kinds import load_tasks
from core.jobs.run import run_job
from core.models.jobs import Job, JobState
from core.tenancy.scope import everywhere
from faults.tasks import WAKE


def wakes_at(moment: str) -> None:
    """What the beat asks for at that moment, and what comes of its jobs, is printed."""
    load_tasks()
    with time_machine.travel(dt.datetime.fromisoformat(moment), tick=False):
        everything = Beat()
        with everywhere(reason="a beat is of no contractor"):
            ticked = Beat({WAKE: everything.schedules[WAKE]}).tick()
            asked = list(
                Job.objects.filter(kind=WAKE, state=JobState.QUEUED).values_list("pk", flat=True)
            )
        for pk in asked:
            run_job(pk)
        with everywhere(reason="tests look at all jobs"):
            woken = [job.result["woken"] for job in Job.objects.filter(pk__in=asked)]
    sys.stdout.write(json.dumps({"ticked": ticked, "woken": woken}))
