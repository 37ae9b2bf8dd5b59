"""Looking at a repair again when it is wet."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from django.db import transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import locked_one, refuse_past
from core.problems import Defect, IllegalMove
from faults.models.call import FaultCall
from faults.models.repair import Repair, SoakCheck, SoakState
from faults.services.call_moves import Move, call_moved, other_open_call
from faults.services.repair_failures import repair_failure_write
from faults.services.work_rules import work_rules
from faults.transitions import CallState
from sites.field_checks import line_defects, refuse_defects


def soak_check_begin(*, repair: Repair, time_zone: str) -> SoakCheck:
    """The check of a repair, due by the contractor's days, within the caller's transaction."""
    rules = work_rules()
    day = repair.at.astimezone(ZoneInfo(time_zone)).date()
    return SoakCheck.objects.create(
        repair=repair,
        due_from=day + dt.timedelta(days=rules.soak_from_days),
        due_by=day + dt.timedelta(days=rules.soak_by_days),
    )


@transaction.atomic
def soak_check_done(
    *, check: SoakCheck, state: str, note: str = "", version: int, by: Actor
) -> SoakCheck:
    """Say what a check came to: *held*, *failed*, or *dropped* with a reason.

    One that failed links back to the repair, and opens the call again where it was closed; where
    another call has been opened on the path, it links to that one.
    Raises Invalid, Stale, IllegalMove where it is done already.
    """
    _refuse_unfit(state, note)
    call = locked_one(FaultCall(pk=check.repair.call_id))
    held = locked_one(check)
    refuse_past("soak check", held.version, version, state=held.state)
    if held.state != SoakState.OPEN:
        raise IllegalMove(f"The soak check is done: {held.state}.", extra={"legal": []})
    held.state, held.note = state, note
    held.done_at, held.done_by_name = now(), by.name
    held.version += 1
    held.save()
    change_record(
        by=by,
        action="soak-check.done",
        thing=("soak-check", held.public_id),
        thread_id=call.public_id,
        after={"state": state, "note": note},
    )
    if state == SoakState.FAILED:
        _failed(held.repair, call, note, by)
    return held


def _refuse_unfit(state: str, note: str) -> None:
    ends = (SoakState.HELD, SoakState.FAILED, SoakState.DROPPED)
    defects = list(line_defects("/note", note, 450))
    if state not in ends:
        defects.append(Defect("/state", f"{state[:20]!r} is no end", f"one of {', '.join(ends)}"))
    if state in (SoakState.FAILED, SoakState.DROPPED) and not note.strip():
        defects.append(Defect("/note", f"{state} wants a reason", "say why in a few words"))
    refuse_defects("soak check", defects)


def _failed(repair: Repair, call: FaultCall, note: str, by: Actor) -> None:
    why = f"the soak check failed: {note}"
    shown_in = other_open_call(call) or call
    if shown_in == call and call.state == CallState.CLOSED:
        call_moved(held=call, move=Move(CallState.REPORTED, why), by=by, failed=repair)
        return
    repair_failure_write(repair=repair, call=shown_in, why=why, by=by)
