"""Parts that were taken out: tagged, opened, looked into, tested on the bench."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from typing import Any

from django.db import IntegrityError, transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import locked_one, refuse_past
from core.problems import Conflict, Defect, Invalid
from core.text_checks import line_defects, name_defects, refuse_defects
from faults.models.call import FaultCall
from faults.models.repair import BenchResult, Cause, RemovedPart, Repair
from faults.place_checks import place_on_path_defects


@dataclass(frozen=True)
class PartDetails:
    """A part: the ``tag`` tied to it, what it is, where it came from."""

    tag: str
    what: str
    at_place: dict[str, Any] = field(default_factory=dict)

    def defects(self) -> Iterator[Defect]:
        """What does not fit, with JSON pointers."""
        yield from name_defects("/tag", self.tag, 60)
        yield from name_defects("/what", self.what, 200)


@dataclass(frozen=True)
class PartSeen:
    """What opening a part and testing it on the bench showed."""

    cause: str = Cause.UNKNOWN
    cause_note: str = ""
    bench_result: str = BenchResult.NOT_TESTED
    bench_note: str = ""

    def defects(self) -> Iterator[Defect]:
        """What does not fit, with JSON pointers."""
        if self.cause not in Cause.values:
            yield Defect("/cause", f"{self.cause!r} is no cause", f"one of {', '.join(Cause)}")
        if self.bench_result not in BenchResult.values:
            right = f"one of {', '.join(BenchResult)}"
            yield Defect("/bench_result", f"{self.bench_result!r} is no result", right)
        yield from line_defects("/cause_note", self.cause_note, 500)
        yield from line_defects("/bench_note", self.bench_note, 500)


def part_remove(
    *, call: FaultCall, details: PartDetails, repair: Repair | None = None, by: Actor
) -> RemovedPart:
    """Write down a part that was taken out. Raises Invalid, Conflict where the tag is in use."""
    try:
        with transaction.atomic():
            return _removed(call, details, repair, by)
    except IntegrityError:
        there = RemovedPart.objects.filter(tag=details.tag).first()
        if there is None:
            raise
        raise Conflict(
            f"The tag {details.tag!r} is tied to another part already.",
            extra={"part": there.public_id},
        ) from None


def _removed(
    call: FaultCall, details: PartDetails, repair: Repair | None, by: Actor
) -> RemovedPart:
    held = locked_one(call)
    defects = (*details.defects(), *place_on_path_defects("/at_place", details.at_place, held.path))
    refuse_defects("part", defects)
    if repair is not None and repair.call_id != held.pk:
        defect = Defect("/repair", "this repair is of another call", "one of this call")
        raise Invalid("The part does not fit.", defects=[defect])
    part = RemovedPart.objects.create(
        call=held,
        repair=repair,
        tag=details.tag,
        what=details.what,
        at_place=details.at_place,
        removed_at=now(),
        removed_by_name=by.name,
    )
    change_record(
        by=by,
        action="part.removed",
        thing=("part", part.public_id),
        thread_id=held.public_id,
        after={"tag": part.tag, "what": part.what, "at": part.at_place},
    )
    return part


@transaction.atomic
def part_look(*, part: RemovedPart, seen: PartSeen, version: int, by: Actor) -> RemovedPart:
    """Write down what opening and testing a part showed; where that is known, nothing is
    written. Raises Invalid, Stale."""
    refuse_defects("part", seen.defects())
    # The call first: its changes keep their order in the feed while it is held.
    call = locked_one(FaultCall(pk=part.call_id))
    held = locked_one(part)
    refuse_past("part", held.version, version)
    if seen == PartSeen(**{one.name: getattr(held, one.name) for one in fields(PartSeen)}):
        return held
    before = {"cause": held.cause, "bench_result": held.bench_result}
    held.cause, held.cause_note = seen.cause, seen.cause_note
    if seen.bench_result == BenchResult.NOT_TESTED:
        held.bench_at = None
    elif (held.bench_result, held.bench_note) != (seen.bench_result, seen.bench_note):
        held.bench_at = now()
    held.bench_result, held.bench_note = seen.bench_result, seen.bench_note
    held.version += 1
    held.save()
    change_record(
        by=by,
        action="part.looked-into",
        thing=("part", held.public_id),
        thread_id=call.public_id,
        before=before,
        after={"cause": held.cause, "bench_result": held.bench_result},
    )
    return held
