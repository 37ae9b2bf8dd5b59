"""Writing down repairs, and that they did not hold."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from decimal import Decimal
from typing import Any

from django.db import transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import locked_one
from core.problems import Defect, IllegalMove
from core.text_checks import line_defects, name_defects, refuse_defects
from faults.models.call import FaultCall
from faults.models.repair import Repair, RepairFailure, RepairKind
from faults.models.trace import Finding
from faults.place_checks import place_on_path_defects
from faults.services.call_moves import MOST_WORDS, has_proof
from faults.services.repair_failures import repair_failure_once
from faults.services.soak_checks import soak_check_begin
from faults.transitions import CallState, legal_moves

MOST_PARTS = 50
MOST_MINUTES = 10_000.0
MOST_MONEY = Decimal(10_000_000)


@dataclass(frozen=True)
class PartUsed:
    """A part that went in, and how many."""

    name: str
    count: int = 1

    def defects(self, pointer: str) -> Iterator[Defect]:
        """What does not fit, with JSON pointers below ``pointer``."""
        yield from name_defects(f"{pointer}/name", self.name, 120)
        if not 1 <= self.count <= 10_000:
            yield Defect(f"{pointer}/count", f"{self.count} is out of range", "1 to 10000")


@dataclass(frozen=True)
class RepairDetails:
    """What was done. ``at_place`` is a place in the words of the forms, empty where it is none
    on the path; ``minutes`` of work; ``money`` for parts and others' bills."""

    kind: str
    minutes: float
    at_place: dict[str, Any] = field(default_factory=dict)
    parts: tuple[PartUsed, ...] = ()
    splice_kind: str = ""
    splices_made: int = 0
    money: Decimal | None = None
    note: str = ""

    def defects(self) -> Iterator[Defect]:
        """What does not fit, with JSON pointers."""
        if self.kind not in RepairKind.values:
            right = f"one of {', '.join(RepairKind)}"
            yield Defect("/kind", f"{self.kind!r} is no kind of repair", right)
        if not (math.isfinite(self.minutes) and 0 <= self.minutes <= MOST_MINUTES):
            yield Defect("/minutes", f"{self.minutes} is out of range", f"0 to {MOST_MINUTES:g}")
        if not 0 <= self.splices_made <= 1000:
            yield Defect("/splices_made", f"{self.splices_made} is out of range", "0 to 1000")
        if self.money is not None and not (
            self.money.is_finite() and 0 <= self.money <= MOST_MONEY
        ):
            yield Defect("/money", f"{self.money} is out of range", f"0 to {MOST_MONEY}")
        if len(self.parts) > MOST_PARTS:
            yield Defect("/parts", f"there are {len(self.parts)}", f"at most {MOST_PARTS}")
        for number, part in enumerate(self.parts):
            yield from part.defects(f"/parts/{number}")
        yield from line_defects("/splice_kind", self.splice_kind, 120)
        yield from line_defects("/note", self.note, MOST_WORDS)


@transaction.atomic
def repair_record(*, call: FaultCall, details: RepairDetails, by: Actor) -> Repair:
    """Write down a repair of a call that is *repairing*, and when it is to be looked at wet.

    Linked to the proof that stands, if one does. Raises Invalid, IllegalMove with the states the
    call may move to where it is in another state.
    """
    held = locked_one(call)
    defects = (*details.defects(), *place_on_path_defects("/at_place", details.at_place, held.path))
    refuse_defects("repair", defects)
    refuse_unless(held, CallState.REPAIRING, "A repair is written down while it is made")
    proof = Finding.objects.filter(
        trace__call=held, proved=True, superseded_at__isnull=True
    ).order_by("-pk")
    repair = Repair(
        call=held,
        finding=proof.first(),
        at=now(),
        by_kind=by.kind,
        by_id=by.public_id,
        by_name=by.name,
        **{**asdict(details), "parts": [asdict(part) for part in details.parts]},
    )
    repair.save()
    soak_check_begin(repair=repair, time_zone=held.property.time_zone)
    change_record(
        by=by,
        action="repair.recorded",
        thing=("repair", repair.public_id),
        thread_id=held.public_id,
        after={
            "call": held.public_id,
            "kind": repair.kind,
            "at": repair.at_place,
            "minutes": repair.minutes,
            "splices_made": repair.splices_made,
        },
    )
    return repair


@transaction.atomic
def repair_did_not_hold(*, repair: Repair, call: FaultCall, why: str, by: Actor) -> RepairFailure:
    """Say that a repair did not hold, as ``call`` shows: its own call or a later one of the path.

    Said again of the same two, it answers the row that is there. Raises Invalid.
    """
    held = locked_one(call)
    defects = list(name_defects("/why", why, MOST_WORDS))
    if held.pk != repair.call_id and held.path_id != repair.call.path_id:
        defects.append(Defect("/call", "this call is on another wire path", "one of the repair's"))
    refuse_defects("link", defects)
    return repair_failure_once(repair=repair, call=held, why=why, by=by)


def refuse_unless(held: FaultCall, state: CallState, words: str) -> None:
    """Raise IllegalMove where a call is in another state than ``state``."""
    if held.state != state:
        legal = [str(to) for to in legal_moves(held.state, proved=has_proof(held))]
        raise IllegalMove(
            f"{words}; the call is {held.state}, not {state}.",
            extra={"state": held.state, "legal": legal},
        )
