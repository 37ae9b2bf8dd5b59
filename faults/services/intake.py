"""Reports by hand: each is a call of its own, or is folded into the one that is open.

* On a wire path one call is open at a time, so a report joins it, of whatever kind and however
  old the call is; its own kind and words are kept beside. Why: ``docs/decisions/0008``.
* Where the path is not known, reports of the same controller, or else property, and the same kind
  are one call while the newest of them is no older than the contractor's ``fold_hours``.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db import IntegrityError, transaction
from django.db.models import Exists, OuterRef, Q, QuerySet

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import lock_name, locked_one
from core.problems import Conflict, Defect
from core.text_checks import refuse_defects
from faults.models.call import FaultCall
from faults.models.work import CallReport
from faults.services.call_details import CallDetails
from faults.services.call_moves import call_store
from faults.services.calls import Where, call_write, new_call
from faults.services.work_rules import work_rules
from sites.field_checks import day_defects

MOST_TRIES = 3


@dataclass(frozen=True)
class Reported:
    """The call that a report became, or was folded into."""

    call: FaultCall
    folded: bool


def call_report(
    *, where: Where, details: CallDetails, by: Actor, since: dt.datetime | None = None
) -> Reported:
    """Take a report in. ``since``: when the fault was first seen; None: now.

    Folded into an open call it is counted, makes that one as urgent as itself, and tells what
    was not known of it, such as whom to ring; the earlier promise holds. Raises
    Invalid, Conflict where the place is no longer looked after.
    """
    refuse_defects("report", [*details.defects(), *_since_defects(since)])
    if where.has_ended:
        raise Conflict("This is no longer looked after; a call needs a live property and path.")
    for _ in range(MOST_TRIES):
        try:
            with transaction.atomic():
                return _taken_in(where, details, since or now(), by)
        except IntegrityError:
            # Another call may have been opened on the path meanwhile: fold into that one.
            continue
    raise Conflict("Calls are opened and closed on this path at the same time; report it again.")


def _since_defects(since: dt.datetime | None) -> list[Defect]:
    if since is None:
        return []
    if found := list(day_defects("/since", since)):
        return found
    if since > now():
        return [Defect("/since", "this is still to come", "when it was first seen")]
    return []


def calls_to_fold_into(
    where: Where, kind: str, at: dt.datetime, fold_hours: int
) -> QuerySet[FaultCall]:
    """The open calls that a report of this kind belongs to, the oldest first."""
    calls = FaultCall.objects.filter(closed_at__isnull=True).order_by("pk")
    if where.path is not None:
        return calls.filter(path=where.path)
    calls = calls.filter(
        path__isnull=True, property=where.place, controller=where.controller, kind=kind
    )
    fresh = at - dt.timedelta(hours=fold_hours)
    reports = CallReport.objects.filter(call=OuterRef("pk"), at__gte=fresh)
    return calls.filter(Q(created_at__gte=fresh) | Q(last_event_at__gte=fresh) | Exists(reports))


def _taken_in(where: Where, details: CallDetails, since: dt.datetime, by: Actor) -> Reported:
    if where.path is None:
        lock_name(f"calls without a path at {(where.controller or where.place).public_id}")
    hours = work_rules().fold_hours
    there = calls_to_fold_into(where, details.kind, now(), hours).first()
    if there is None:
        call = new_call(where, by)
        details.onto(call)
        call.opened_at, call.reports = since, 1
        call_write(call=call, by=by, why="")
    else:
        call = _folded(locked_one(there), details, since, by)
    CallReport.objects.create(
        call=call,
        kind=details.kind,
        said=details.told() | {"contact": details.contact},
        at=now(),
        by_id=by.public_id,
        by_name=by.name,
    )
    return Reported(call, folded=there is not None)


def _folded(held: FaultCall, details: CallDetails, since: dt.datetime, by: Actor) -> FaultCall:
    if held.closed_at is not None:
        raise IntegrityError("the call was closed meanwhile")
    held.reports += 1
    held.opened_at = min(held.opened_at, since)
    before = CallDetails.of(held)
    after = before.with_report(details)
    if after != before:
        after.onto(held)
        call_store(held)
        said = {name: value for name, value in after.told().items() if value != before.told()[name]}
        change_record(
            by=by,
            action="call.updated",
            thing=("call", held.public_id),
            before={name: before.told()[name] for name in said},
            after=said | {"reports": held.reports},
        )
        return held
    # The version stays: nobody's edit of the call is overtaken by one more report.
    held.save(update_fields=["reports", "opened_at"])
    change_record(
        by=by,
        action="report.folded",
        thing=("report", held.public_id),
        thread_id=held.public_id,
        after={"reports": held.reports, **details.told()},
    )
    return held
