"""Makes the whole demo: people, properties, and two years of what happened."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db import transaction

from core.accounts.actor import Actor
from core.changes.sequencer import sequence_changes
from core.clock import as_of, now
from core.problems import Conflict
from core.tenancy.scope import contractor_scope
from demo.days import days_plan
from demo.history import YEARS, history_plan
from demo.people import demo_contractor, staff_create
from demo.register import register_create
from demo.stories import LAST_EVENT, Cast, event_story, fault_story, last_story, visit_story
from demo.timeline import tell
from faults.models import FaultCall, FaultEvent, Finding, Trace
from faults.services.recurrence_runs import run_search, run_store
from faults.trouble_search import Search
from sites.models import Controller, Device, Property, WirePath

REPORTED_LABEL = "Bandstand path"
_TAKEN_ON_DAYS = 20
"""The properties were taken on so many days before the history begins."""


@dataclass(frozen=True)
class DemoCounts:
    """How much there is of what."""

    properties: int
    controllers: int
    paths: int
    devices: int
    events: int
    calls: int
    open_calls: int
    traces: int
    proved: int


def demo_make() -> bool:
    """Make the demo as of the present; False where it is there already. Runs in no scope.

    Raises Conflict where an earlier run was broken off: what it wrote cannot be taken back.
    """
    contractor = demo_contractor()
    if contractor is not None:
        with contractor_scope(contractor.pk):
            if FaultEvent.objects.filter(external_id=LAST_EVENT).exists():
                return False
        raise Conflict(
            "An earlier run was broken off, and what it wrote is kept like all that is done:"
            " use another database, or remove the SQLite file, and run this again."
        )
    until = now().replace(microsecond=0)
    since = until - dt.timedelta(days=365 * YEARS + _TAKEN_ON_DAYS)
    with as_of(since):
        staff = staff_create()
    with contractor_scope(staff.contractor.pk):
        taken_on = since + dt.timedelta(days=2)
        registered = register_create(by=staff.supervisor, since=taken_on, last_year=until.year)
        paths = {one.laid.path.label: one for one in registered}
        places = {one.plan.external_id: one.place for one in registered}
        cast = Cast(staff, paths, places)
        history = history_plan({label: one.laid for label, one in paths.items()}, until)
        stories = [fault_story(cast, fault) for fault in history.faults]
        stories += [visit_story(cast, visit) for visit in history.visits]
        stories += [
            event_story(cast, event, number) for number, event in enumerate(history.events, start=1)
        ]
        stories.append(last_story(cast, REPORTED_LABEL, until - dt.timedelta(minutes=40)))
        tell(stories, until)
        with as_of(until):
            trouble_night(until, by=staff.supervisor)
    days_plan(staff.supervisor)
    sequence_changes()
    return True


@transaction.atomic
def _stored(search: Search, by: Actor) -> None:
    run_store(search=search, job_id=None, by=by)


def trouble_night(moment: dt.datetime, *, by: Actor) -> None:
    """Look at the whole history, as the night's job does, within the contractor's scope."""
    _stored(run_search({"as_of": moment.isoformat()}), by)


def demo_counts() -> DemoCounts:
    """What the demo's contractor has. Raises LookupError where there is no demo."""
    contractor = demo_contractor()
    if contractor is None:
        raise LookupError("the demo has not been made")
    with contractor_scope(contractor.pk):
        return DemoCounts(
            properties=Property.objects.count(),
            controllers=Controller.objects.count(),
            paths=WirePath.objects.count(),
            devices=Device.objects.filter(to_revision__isnull=True).count(),
            events=FaultEvent.objects.count(),
            calls=FaultCall.objects.count(),
            open_calls=FaultCall.objects.filter(closed_at__isnull=True).count(),
            traces=Trace.objects.count(),
            proved=Finding.objects.filter(proved=True, superseded_at__isnull=True).count(),
        )
