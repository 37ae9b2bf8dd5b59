"""Asking for work, calling it off, and asking again for what died."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from functools import partial
from typing import Any

from django.db import transaction

from core import clock
from core.accounts.actor import Actor
from core.changes.record import change_record
from core.jobs.kinds import kind_named
from core.jobs.publisher import offer_job
from core.models.jobs import Job, JobState
from core.problems import Conflict, IllegalMove


@transaction.atomic
def job_enqueue(
    *,
    by: Actor,
    kind: str,
    payload: Mapping[str, Any],
    dedupe_key: str = "",
    run_after: dt.datetime | None = None,
) -> Job:
    """Ask for a job; it can start once the caller's transaction is committed.

    ``payload`` is small and of JSON: ids, not rows. ``dedupe_key`` names the work for good: asked
    again, the job that is there is answered, whatever became of it; so it holds what makes the
    work new (a date, a revision). ``run_after`` holds it up until then. Raises UnknownKindError,
    ValueError for a payload that JSON cannot carry, and Conflict where the key stands for other
    work.
    """
    registered = kind_named(kind)
    body = _as_json(payload)
    fields: dict[str, Any] = {
        "kind": kind,
        "payload": body,
        "asked_by": by.name,
        "created_at": clock.now(),
        "run_after": run_after,
        "max_attempts": registered.max_attempts,
    }
    if not dedupe_key:
        job, new = Job.objects.create(contractor_id=by.contractor_id, **fields), True
    else:
        job, new = Job.objects.get_or_create(
            contractor_id=by.contractor_id, dedupe_key=dedupe_key, defaults=fields
        )
    if not new and (job.kind, job.payload) != (kind, body):
        raise Conflict(f"The key {dedupe_key!r} stands for another job already, {job.public_id}.")
    if new and run_after is None:
        transaction.on_commit(partial(offer_job, job.pk), robust=True)
    return job


@transaction.atomic
def job_cancel(*, job: Job, by: Actor) -> Job:
    """Call a job off. A run under way can write nothing from now on and stops when it looks.

    Raises IllegalMove where the job has ended.
    """
    at = clock.now()
    live = (JobState.QUEUED, JobState.RUNNING)
    moved = Job.objects.filter(pk=job.pk, state__in=live).update(
        state=JobState.CANCELLED, token="", lease_until=None, ended_at=at
    )
    job.refresh_from_db()
    if not moved:
        raise IllegalMove(
            f"{job.public_id} is {job.state}; only what waits or runs can be called off.",
            extra={"legal": _legal_moves(job.state)},
        )
    change_record(by=by, action="job.cancelled", thing=("job", job.public_id))
    return job


@transaction.atomic
def job_ask_again(*, job: Job, by: Actor) -> Job:
    """Queue a dead or cancelled job anew, with all its attempts. Raises IllegalMove otherwise."""
    ended = (JobState.DEAD, JobState.CANCELLED)
    moved = Job.objects.filter(pk=job.pk, state__in=ended).update(
        state=JobState.QUEUED, attempts=0, run_after=None, ended_at=None, published_at=None
    )
    job.refresh_from_db()
    if not moved:
        raise IllegalMove(
            f"{job.public_id} is {job.state}; only what died or was called off is asked again.",
            extra={"legal": _legal_moves(job.state)},
        )
    change_record(by=by, action="job.asked-again", thing=("job", job.public_id))
    transaction.on_commit(partial(offer_job, job.pk), robust=True)
    return job


def _legal_moves(state: str) -> list[str]:
    return {
        JobState.QUEUED.value: ["cancel"],
        JobState.RUNNING.value: ["cancel"],
        JobState.DEAD.value: ["ask again"],
        JobState.CANCELLED.value: ["ask again"],
    }.get(state, [])


def _as_json(payload: Mapping[str, Any]) -> dict[str, Any]:
    try:
        found: dict[str, Any] = json.loads(json.dumps(dict(payload), allow_nan=False))
    except (TypeError, ValueError) as problem:
        raise ValueError(f"the payload of a job has to be JSON: {problem}") from problem
    return found
