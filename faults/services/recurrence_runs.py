"""Runs over a contractor's history: asked for by night or on demand, searched, stored once."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction

from core import clock
from core.accounts.actor import Actor, system_actor
from core.changes.record import change_record
from core.jobs.ask import job_enqueue
from core.locking import lock_name
from core.models.accounts import Contractor
from core.models.jobs import Job, JobState
from core.problems import Conflict
from core.tenancy.scope import everywhere
from faults.models.trouble import FlagKind, FlagState, RecurrenceRun, TroubleFlag
from faults.services.inspections import inspections_plan
from faults.services.trouble_flags import flags_follow, place_documents
from faults.trouble_search import ENGINE, Search, SearchParams, trouble_search
from sites.models.wire_path import WirePath

RECURRENCE = "recurrence.search"
NIGHT_FROM_HOUR = 1
"""The night's run looks at what was known at midnight, and begins after this hour."""


def nights_to_ask() -> list[tuple[int, dt.date]]:
    """Contractors with paths to look at whose night has come and is not asked for yet, with
    their day."""
    at = clock.now()
    with everywhere(reason="the schedule looks at all contractors' nights"):
        with_paths = WirePath.objects.order_by().values("contractor")
        due = {
            pk: at.astimezone(ZoneInfo(zone)).date()
            for pk, zone in Contractor.objects.filter(pk__in=with_paths).values_list(
                "pk", "time_zone"
            )
            if at.astimezone(ZoneInfo(zone)).hour >= NIGHT_FROM_HOUR
        }
        keys = {night_key(day) for day in due.values()}
        rows = Job.objects.filter(kind=RECURRENCE, dedupe_key__in=keys)
        asked = set(rows.values_list("contractor", "dedupe_key"))
    return [(pk, day) for pk, day in sorted(due.items()) if (pk, night_key(day)) not in asked]


def night_key(day: dt.date) -> str:
    """What makes the run of a night the only one."""
    return f"{RECURRENCE} {day.isoformat()}"


def run_ask_night(*, contractor_id: int, day: dt.date) -> Job:
    """Ask for the run of the night before ``day``: of what was known as the day began there.

    A day begins once, on nights when the clocks are changed too; asked again it is the same job.
    """
    zone = ZoneInfo(Contractor.objects.values_list("time_zone", flat=True).get(pk=contractor_id))
    as_of = dt.datetime.combine(day, dt.time(), zone).astimezone(dt.UTC)
    return job_enqueue(
        by=system_actor(contractor_id, RECURRENCE),
        kind=RECURRENCE,
        payload={"as_of": as_of.isoformat()},
        dedupe_key=night_key(day),
    )


@transaction.atomic
def run_ask(*, by: Actor) -> Job:
    """Ask for a run as of now. Raises Conflict where one waits or is under way."""
    lock_name(f"recurrence of {by.contractor_id}")
    waiting = Job.objects.filter(kind=RECURRENCE, state__in=(JobState.QUEUED, JobState.RUNNING))
    if (job := waiting.first()) is not None:
        raise Conflict(f"A run is on its way already: {job.public_id}.")
    job = job_enqueue(by=by, kind=RECURRENCE, payload={"as_of": clock.now().isoformat()})
    change_record(by=by, action="recurrence-run.asked", thing=("job", job.public_id))
    return job


def run_search(
    payload: Mapping[str, Any],
    tell: Callable[[float, str], None] = lambda _share, _words: None,
    is_lost: Callable[[], bool] = lambda: False,
) -> Search:
    """Search as a job's payload asks; run outside a transaction."""
    live = TroubleFlag.objects.exclude(state=FlagState.CLEARED)
    return trouble_search(
        dt.datetime.fromisoformat(payload["as_of"]),
        SearchParams(),
        live.values_list("path", flat=True),
        tell,
        is_lost,
    )


def _stretches(search: Search) -> list[dict[str, Any]]:
    """The strongest stretch of each path scanned, flagged or not, for traces to weigh: one query.

    ``q``: the scan's adjusted p-value.
    """
    found = [one for one in search.candidates if one.kind == FlagKind.STRETCH and one.alive]
    paths = WirePath.objects.filter(pk__in=[one.path for one in found])
    names = dict(paths.values_list("pk", "public_id"))
    return [
        {"path": names[one.path], "places": place_documents(one), "q": one.adjusted}
        for one in found
        if one.adjusted < 1.0
    ]


def _rates(search: Search) -> dict[str, Any]:
    return search.rates and search.rates | {"stretches": _stretches(search)}


def _flags_found(search: Search, params: SearchParams) -> int:
    return sum(one.alive and one.adjusted <= params.trouble.q for one in search.candidates)


def run_store(*, search: Search, job_id: int | None, by: Actor) -> RecurrenceRun:
    """Write a run down, carry flags on and plan looks, within the caller's transaction.

    One run of a contractor stores at a time. One that a later moment has overtaken leaves flags
    and looks as they are.
    """
    lock_name(f"recurrence of {by.contractor_id}")
    overtaken = RecurrenceRun.objects.filter(as_of__gt=search.as_of, overtaken=False).exists()
    params = SearchParams()
    run = RecurrenceRun.objects.create(
        job_id=job_id,
        as_of=search.as_of,
        ended_at=clock.now(),
        engine=ENGINE,
        parameters=params.document(),
        paths=search.paths,
        paths_tallied=search.tallied,
        units=search.units,
        failures=search.failures,
        left_out=search.left_out,
        watched=list(search.watched),
        seen=search.seen,
        found=search.found(),
        rates=_rates(search),
        flags_found=_flags_found(search, params),
        overtaken=overtaken,
    )
    if not overtaken:
        flags_follow(candidates=search.candidates, run=run, by=by)
        inspections_plan(as_of=search.as_of, by_path=search.by_path, by=by)
    change_record(
        by=by,
        action="recurrence-run.ended",
        thing=("recurrence-run", run.public_id),
        after={"as_of": run.as_of.isoformat(), "flags_found": run.flags_found, "seen": run.seen},
    )
    return run


def run_repeat(run: RecurrenceRun) -> tuple[str, ...]:
    """Repeat a run from what it kept; the names of its fields that came out otherwise, none where
    it is the same to the last digit. Flags, looks and runs stay as they are.

    ``seen`` among them: rows that a run reads are no longer what they were then. Tallies are made
    as of that moment; the next night makes them anew. Raises Conflict for a run that another
    version made, or that did not keep all it was asked with.
    """
    if run.engine != ENGINE or run.watched is None:
        raise Conflict(
            f"Run {run.public_id} was made by version {run.engine} of the reckoning, this is "
            f"version {ENGINE}: it can be repeated by the version that made it alone."
        )
    params = SearchParams.of(run.parameters)
    search = trouble_search(run.as_of, params, run.watched)
    anew: dict[str, Any] = {
        "paths": search.paths,
        "units": search.units,
        "failures": search.failures,
        "left_out": search.left_out,
        "seen": search.seen,
        "found": search.found(),
        "rates": _rates(search),
        "flags_found": _flags_found(search, params),
    }
    return tuple(name for name, value in anew.items() if getattr(run, name) != value)
