"""How a look begins and ends: asked for, done, skipped with a reason, no longer asked for."""

from __future__ import annotations

from collections.abc import Iterable

from django.db import transaction

from core import clock
from core.accounts.actor import Actor
from core.changes.record import change_record
from core.locking import locked_one, refuse_past
from core.problems import Defect, IllegalMove, Invalid
from core.text_checks import line_defects, name_defects, refuse_defects
from faults.models.call import CallKind, FaultCall
from faults.models.trouble import Inspection, InspectionResult, InspectionState
from faults.services.call_details import CallDetails
from faults.services.call_moves import MOST_WORDS
from faults.services.calls import Where
from faults.services.intake import call_report

MOST_NOTE = 450
_SHOWED = "A follow-up look showed a fault"


def inspection_asked(*, look: Inspection, by: Actor) -> None:
    """Write a new look down, within the caller's transaction."""
    look.created_at = clock.now()
    look.save(force_insert=True)
    _tell(look, "asked", by)


@transaction.atomic
def inspection_done(
    *, look: Inspection, result: str, note: str = "", version: int, by: Actor
) -> Inspection:
    """Say what a look showed. It starts the clock of the next one; a fault is reported, and the
    look names the call that it opened or was folded into. On a path that has ended since nothing
    is reported. Raises Invalid, Stale, IllegalMove."""
    if result not in InspectionResult.values:
        right = f"one of {', '.join(InspectionResult.values)}"
        raise Invalid("The look does not fit.", defects=[Defect("/result", "unknown", right)])
    refuse_defects("look", line_defects("/note", note, MOST_NOTE))
    call = _fault_reported(look, note, by) if result == InspectionResult.FAULT else None
    return _end(look, InspectionState.DONE, result, note, (version, by), call)


def _fault_reported(look: Inspection, note: str, by: Actor) -> FaultCall | None:
    """The call is held before the look, as everywhere."""
    where = Where.of_path(look.path)
    if where.has_ended:
        return None
    said = f"{_SHOWED}: {note.strip()}" if note.strip() else _SHOWED
    details = CallDetails(kind=CallKind.OTHER, note=said[:MOST_WORDS])
    return call_report(where=where, details=details, by=by).call


@transaction.atomic
def inspection_skip(*, look: Inspection, why: str, version: int, by: Actor) -> Inspection:
    """Leave a look out this time, with the reason; it is asked for again later. Raises Invalid,
    Stale, IllegalMove."""
    refuse_defects("look", name_defects("/why", why, MOST_NOTE))
    return _end(look, InspectionState.SKIPPED, "", why, (version, by))


def inspections_withdraw(*, looks: Iterable[Inspection], why: str, by: Actor) -> None:
    """Open looks are no longer asked for, within the caller's transaction."""
    for look in looks:
        _end(look, InspectionState.WITHDRAWN, "", why, (look.version, by))


def _end(
    look: Inspection,
    state: InspectionState,
    result: str,
    note: str,
    told: tuple[int, Actor],
    call: FaultCall | None = None,
) -> Inspection:
    version, by = told
    held = locked_one(look)
    refuse_past("look", held.version, version, state=held.state)
    if held.state != InspectionState.OPEN:
        raise IllegalMove(f"The look is over: {held.state}.", extra={"legal": []})
    held.state, held.result, held.note = state, result, note
    held.ended_at, held.ended_by_name = clock.now(), by.name
    held.call = call
    held.version += 1
    held.save()
    _tell(held, state.value, by)
    return held


def _tell(look: Inspection, what: str, by: Actor) -> None:
    change_record(
        by=by,
        action=f"inspection.{what}",
        thing=("inspection", look.public_id),
        after={
            "due_on": look.due_on.isoformat(),
            "state": look.state,
            "result": look.result,
            "call": look.call.public_id if look.call else None,
        },
    )
