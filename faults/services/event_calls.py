"""Which call an event belongs to.

* An overcurrent goes to the open call of its path and is counted there. Without one, it opens a
  call. Where the path is not known, the controller stands for it, or else the property.
* One that happened while a call was open that is closed now, told late, belongs to that call. It
  does not open it again, unless it came after the return test that the call was closed on: then
  that test shows nothing any more.
* One from before all that, told for the record, is kept without a call.
* A *cleared* goes with the overcurrents but opens nothing and closes nothing: a message may go
  by itself and the fault stay.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from django.db import IntegrityError, transaction
from django.db.models import Max, Q, QuerySet

from core.accounts.actor import Actor
from core.clock import now
from core.locking import lock_name, locked, locked_one
from core.problems import Conflict
from faults.models.call import CallKind, FaultCall
from faults.models.event import EventKind, FaultEvent
from faults.services.call_moves import Move, call_moved, other_open_call
from faults.services.calls import Where, call_from_event
from faults.services.repair_failures import newest_repair, repair_failure_once
from faults.transitions import CallState

_MOST_LOOKS = 10
"""A call that is found may be closed before it is locked; so often another is looked for."""


@dataclass
class CallsInHand:
    """The open calls that a batch of events has locked and counts on; stored once, at the end.

    ``fold_hours``, the contractor's: how old an overcurrent may be to open a call, or to go to
    one that was opened after it; and for how long events without a path fold into one call.
    Thousands of repeats of one path cost no look-up of their call each.
    """

    fold_hours: int
    _held: dict[int, FaultCall] = field(default_factory=dict)
    # By path: when the last call before was closed; what happened by then may belong to that.
    _free_since: dict[int, dt.datetime | None] = field(default_factory=dict)
    _changed: set[int] = field(default_factory=set)

    @property
    def window(self) -> dt.timedelta:
        """The fold hours as a time."""
        return dt.timedelta(hours=self.fold_hours)

    def call_of_path(self, where: Where, at: dt.datetime) -> FaultCall | None:
        """The open call of a path, where it is in hand and no earlier call can be meant."""
        held = self._held.get(where.path.pk) if where.path is not None else None
        if held is None or held.path_id is None or held.opened_at > at + self.window:
            return None
        free_since = self._free_since[held.path_id]
        return held if free_since is None or at > free_since else None

    def hold(self, path_ids: set[int]) -> None:
        """Lock the open calls of these paths, in the order in which everybody locks."""
        for held in locked(FaultCall.objects.filter(path__in=path_ids, closed_at__isnull=True)):
            self._take(held)

    def held(self, call: FaultCall) -> FaultCall:
        """The call, locked, as it is now."""
        held = next((one for one in self._held.values() if one.pk == call.pk), None)
        if held is None:
            held = locked_one(call)
            self._take(held)
        return held

    def counted(self, held: FaultCall, at: dt.datetime) -> None:
        """Count one overcurrent more on a locked call."""
        held.overcurrents += 1
        held.opened_at = min(held.opened_at, at)
        held.last_event_at = max(held.last_event_at or at, at)
        if held.path_id is not None and self._held.get(held.path_id) is held:
            self._changed.add(held.path_id)
        else:
            _count_store(held)

    def opened_again(self, held: FaultCall, event: FaultEvent, by: Actor) -> FaultCall:
        """A locked call whose return test an overcurrent belies: open again and linked to the
        repair that did not hold. Where another call is open on the path, that one shows it."""
        at = event.at.astimezone(ZoneInfo(held.property.time_zone))
        why = f"an overcurrent message of {at:%-d %b %Y, %H:%M} came after the return test"
        repair = newest_repair(held)
        try:
            move = Move(CallState.REPORTED, why)
            call_moved(held=held, move=move, by=by, failed=repair, event=event)
        except Conflict:
            held = locked_one(held)
            other = other_open_call(held)
            if other is not None and repair is not None:
                repair_failure_once(repair=repair, call=other, why=why, by=by, event=event)
        self._take(held)
        return held

    def _take(self, held: FaultCall) -> None:
        """Have an open call of a path in hand."""
        if held.path_id is None or held.closed_at is not None:
            return
        others = FaultCall.objects.filter(path=held.path_id, closed_at__isnull=False)
        self._held[held.path_id] = held
        self._free_since[held.path_id] = others.aggregate(last=Max("closed_at"))["last"]

    def store(self) -> None:
        """Store what was counted."""
        for path_id in sorted(self._changed):
            _count_store(self._held[path_id])
        self._changed.clear()


def call_of_event(
    *, event: FaultEvent, where: Where, by: Actor, calls: CallsInHand
) -> FaultCall | None:
    """The call that a new event goes to, counted there or opened, within the caller's
    transaction; None where it belongs to none."""
    if event.kind not in (EventKind.OVERCURRENT, EventKind.CLEARED):
        return None
    held = _held_of(event, where, by, calls)
    if held is None or event.kind != EventKind.OVERCURRENT:
        return held
    if held.closing_test is not None and event.at > held.closing_test.at:
        held = calls.opened_again(held, event, by)
    calls.counted(held, event.at)
    return held


def _held_of(event: FaultEvent, where: Where, by: Actor, calls: CallsInHand) -> FaultCall | None:
    """The call it goes to, locked; one that was closed before the event is none any more."""
    for _ in range(_MOST_LOOKS):
        found = calls.call_of_path(where, event.at)
        if found is None:
            found = _looked_up(event, where, by, calls.window)
        if found is None:
            return None
        held = calls.held(found)
        if held.closed_at is None or held.closed_at >= event.at:
            return held
    raise Conflict("The calls there are being changed: tell the event again.")


def _looked_up(
    event: FaultEvent, where: Where, by: Actor, window: dt.timedelta
) -> FaultCall | None:
    if where.path is None:
        # No constraint keeps these apart, so that one comes after the other.
        lock_name(f"calls without a path at {(where.controller or where.place).public_id}")
    calls = _calls_there(where, event, window)
    found = _earlier(calls, event.at) or _open(calls, event.at, window)
    asks = found is None and event.kind == EventKind.OVERCURRENT
    if asks and _opens(calls, event, where, window):
        found = _opened(event, where, by) or _open(calls, event.at, window)
    return found


def _calls_there(where: Where, event: FaultEvent, window: dt.timedelta) -> QuerySet[FaultCall]:
    if where.path is not None:
        return FaultCall.objects.filter(path=where.path)
    since = event.at - window
    unknown = FaultCall.objects.filter(
        Q(created_at__gte=since) | Q(last_event_at__gte=since),
        path__isnull=True,
        property=where.place,
        kind=CallKind.OVERCURRENT,
    )
    return unknown.filter(controller=where.controller)


def _earlier(calls: QuerySet[FaultCall], at: dt.datetime) -> FaultCall | None:
    """A call that is closed now and was open then."""
    return calls.filter(closed_at__gte=at, opened_at__lte=at).order_by("pk").first()


def _open(calls: QuerySet[FaultCall], at: dt.datetime, window: dt.timedelta) -> FaultCall | None:
    open_now = calls.filter(closed_at__isnull=True, opened_at__lte=at + window)
    return open_now.order_by("pk").first()


def _opens(
    calls: QuerySet[FaultCall], event: FaultEvent, where: Where, window: dt.timedelta
) -> bool:
    """Whether an overcurrent asks for work that nobody has promised or done yet."""
    if where.has_ended or event.at < now() - window:
        return False
    return not calls.filter(closed_at__gte=event.at).exists()


def _opened(event: FaultEvent, where: Where, by: Actor) -> FaultCall | None:
    """The call it opens; None where another was opened at the same time."""
    try:
        with transaction.atomic():
            return call_from_event(event=event, where=where, by=by)
    except IntegrityError:
        return None


def _count_store(held: FaultCall) -> None:
    # The version stays: nobody's edit of the call is overtaken by one more report.
    held.save(update_fields=["overcurrents", "opened_at", "last_event_at"])
