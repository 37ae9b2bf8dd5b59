"""Which call an event belongs to.

* An overcurrent goes to the open call of its path and is counted there. Without one, it opens a
  call. Where the path is not known, the controller stands for it, or else the property.
* One that happened while a call was open that is closed now, told late, belongs to that call and
  does not open it again.
* One from before all that, told for the record, is kept without a call.
* A *cleared* goes with the overcurrents but opens nothing and closes nothing: a message may go
  by itself and the fault stay.
"""

from __future__ import annotations

import datetime as dt

from django.db import IntegrityError, transaction
from django.db.models import QuerySet

from core.accounts.actor import Actor
from core.clock import now
from core.locking import lock_name, locked_one
from faults.models.call import FaultCall
from faults.models.event import EventKind, FaultEvent
from faults.services.calls import Where, call_from_event

FRESH = dt.timedelta(days=14)
"""How old an overcurrent may be to open a call, or to go to one that was opened after it."""


def call_of_event(*, event: FaultEvent, where: Where, by: Actor) -> FaultCall | None:
    """The call that a new event goes to, counted there or opened, within the caller's
    transaction; None where it belongs to none."""
    if event.kind not in (EventKind.OVERCURRENT, EventKind.CLEARED):
        return None
    if where.path is None:
        # No constraint keeps these apart, so that one comes after the other.
        lock_name(f"calls without a path at {(where.controller or where.place).public_id}")
    calls = _calls_there(where)
    found = _earlier(calls, event.at) or _open(calls, event.at)
    if found is None and event.kind == EventKind.OVERCURRENT and _opens(calls, event, where):
        found = _opened(event, where, by) or _open(calls, event.at)
    if found is None or event.kind != EventKind.OVERCURRENT:
        return found
    return _counted(found, event.at)


def _calls_there(where: Where) -> QuerySet[FaultCall]:
    if where.path is not None:
        return FaultCall.objects.filter(path=where.path)
    unknown = FaultCall.objects.filter(path__isnull=True, property=where.place)
    return unknown.filter(controller=where.controller)


def _earlier(calls: QuerySet[FaultCall], at: dt.datetime) -> FaultCall | None:
    """A call that is closed now and was open then."""
    return calls.filter(closed_at__gte=at, opened_at__lte=at).order_by("pk").first()


def _open(calls: QuerySet[FaultCall], at: dt.datetime) -> FaultCall | None:
    open_now = calls.filter(closed_at__isnull=True, opened_at__lte=at + FRESH)
    return open_now.order_by("pk").first()


def _opens(calls: QuerySet[FaultCall], event: FaultEvent, where: Where) -> bool:
    """Whether an overcurrent asks for work that nobody has promised or done yet."""
    if where.has_ended or event.at < now() - FRESH:
        return False
    return not calls.filter(closed_at__gte=event.at).exists()


def _opened(event: FaultEvent, where: Where, by: Actor) -> FaultCall | None:
    """The call it opens; None where another was opened at the same time."""
    try:
        with transaction.atomic():
            return call_from_event(event=event, where=where, by=by)
    except IntegrityError:
        return None


def _counted(call: FaultCall, at: dt.datetime) -> FaultCall:
    held = locked_one(call)
    held.overcurrents += 1
    held.opened_at = min(held.opened_at, at)
    held.last_event_at = max(held.last_event_at or at, at)
    # The version stays: nobody's edit of the call is overtaken by one more report.
    held.save(update_fields=["overcurrents", "opened_at", "last_event_at"])
    return held
