"""Calls that wait, and how they wake: on their day, or by rain where they wait for it."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from django.db import transaction

from core.accounts.actor import Actor
from core.clock import now
from core.locking import locked_one
from faults.models.call import CallMove, FaultCall
from faults.models.event import FaultEvent
from faults.models.trace import Trace
from faults.services.call_moves import Move, call_moved, has_proof
from faults.transitions import LEGAL_MOVES, CallState, WaitKind

FURTHEST_EAST = dt.timedelta(hours=14)
"""No clock is further ahead of UTC, so no day begins earlier."""


def is_due(waits_until: dt.date, time_zone: str) -> bool:
    """Whether the day a call waits for has come where its property lies."""
    return now().astimezone(ZoneInfo(time_zone)).date() >= waits_until


def last_day_anywhere() -> dt.date:
    """The day that it is where it is latest: no call that waits beyond it is due."""
    return (now() + FURTHEST_EAST).date()


def calls_wake(*, by: Actor) -> int:
    """Wake each call of the contractor whose day has come; how many there were.

    Done again it wakes none. Each call is a transaction of its own, so that one that cannot move
    holds no other up.
    """
    waiting = FaultCall.objects.filter(
        state=CallState.WAITING, waits_until__lte=last_day_anywhere()
    )
    rows = waiting.order_by("pk").values_list("pk", "waits_until", "property__time_zone")
    woken = 0
    for pk, until, time_zone in list(rows):
        if until is not None and is_due(until, time_zone):
            with transaction.atomic():
                held = locked_one(FaultCall(pk=pk))
                # Somebody may have moved it or put it off meanwhile.
                if held.state == CallState.WAITING and held.waits_until == until:
                    _wake(held, f"the day has come: {until.isoformat()}", by)
                    woken += 1
    return woken


def wake_by_rain(*, event: FaultEvent, by: Actor) -> None:
    """Wake the calls of a property that wait for wet weather, within the caller's transaction."""
    waiting = FaultCall.objects.filter(
        property_id=event.property_id, state=CallState.WAITING, wait_kind=WaitKind.WET_WEATHER
    )
    for call in waiting.order_by("pk"):
        held = locked_one(call)
        since = CallMove.objects.filter(call=held).order_by("-pk").first()
        if held.state == CallState.WAITING and since is not None and event.at >= since.at:
            _wake(held, "rain was reported", by)


def _wake(held: FaultCall, why: str, by: Actor) -> None:
    to = state_before_waiting(held)
    call_moved(held=held, move=Move(to, f"woken: {why}"), by=by)


def state_before_waiting(held: FaultCall) -> CallState:
    """Where a waiting call goes on: where it was, as far as that still holds."""
    move = CallMove.objects.filter(call=held, to_state=CallState.WAITING).order_by("-pk").first()
    before = CallState(move.from_state) if move and move.from_state else CallState.REPORTED
    if before not in LEGAL_MOVES[CallState.WAITING]:
        return CallState.REPORTED
    if before == CallState.FOUND and not has_proof(held):
        return CallState.REPORTED
    running = Trace.objects.filter(call=held, ended_at__isnull=True)
    if before == CallState.TRACING and not running.exists():
        return CallState.REPORTED
    return before
