"""Repairs that did not hold, linked to the call in which that came to light."""

from __future__ import annotations

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from faults.models.call import FaultCall
from faults.models.event import FaultEvent
from faults.models.repair import Repair, RepairFailure


def newest_repair(call: FaultCall) -> Repair | None:
    """The last repair of a call."""
    return Repair.objects.filter(call=call).order_by("-pk").first()


def repair_failure_write(
    *, repair: Repair, call: FaultCall, why: str, by: Actor, event: FaultEvent | None = None
) -> RepairFailure:
    """Link a repair to the call in which it shows that it did not hold, within the caller's
    transaction. ``call`` is the repair's own, opened again, or a later one."""
    failure = RepairFailure.objects.create(
        repair=repair, call=call, event=event, why=why, at=now(), by_name=by.name
    )
    change_record(
        by=by,
        action="repair.did-not-hold",
        thing=("repair", repair.public_id),
        thread_id=call.public_id,
        after={"call": call.public_id, "why": why},
    )
    return failure


def repair_failure_once(
    *, repair: Repair, call: FaultCall, why: str, by: Actor, event: FaultEvent | None = None
) -> RepairFailure:
    """The link of these two, written where there is none, within the caller's transaction."""
    there = RepairFailure.objects.filter(repair=repair, call=call).first()
    return there or repair_failure_write(repair=repair, call=call, why=why, by=by, event=event)
