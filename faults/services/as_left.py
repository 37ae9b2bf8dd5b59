"""What is left on a path: kept in step with its traces, added to and answered by people."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.db.models import QuerySet

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import locked, locked_one
from core.problems import Conflict, Defect, Invalid
from core.text_checks import line_defects, name_defects, refuse_defects
from faults.left_names import left_name_defects, left_thing_named
from faults.left_things import LeftThing, left_things
from faults.left_words import left_words
from faults.models.as_left import AsLeftAnswer, AsLeftItem, LeftAnswerKind, LeftKind
from faults.models.call import FaultCall
from faults.models.trace import Trace
from faults.tracing.observations import Joint

Document = dict[str, Any]

MOST_NAME = 150
_NAMELESS = (LeftKind.POWER_OFF, LeftKind.POWER_ON, LeftKind.COIL_IN)


@dataclass(frozen=True)
class LeftAnswer:
    """What is said of a thing left, named by its public id: *restored*, or *kept* and why."""

    item: str
    answer: str
    why: str = ""

    def defects(self, pointer: str) -> Iterator[Defect]:
        """What does not fit, with JSON pointers below ``pointer``."""
        if self.answer not in LeftAnswerKind.values:
            right = f"one of {', '.join(LeftAnswerKind)}"
            yield Defect(f"{pointer}/answer", f"{self.answer!r} is no answer", right)
        yield from line_defects(f"{pointer}/why", self.why, 500)
        if self.answer == LeftAnswerKind.KEPT and not self.why.strip():
            yield Defect(f"{pointer}/why", "what is kept wants a reason", "say why it stays")


def as_left_follow(
    *, trace: Trace, before: Document, after: Document, built_open: frozenset[Joint], by: Actor
) -> None:
    """Bring the live list of a path to what a trace's *as left* has become, within the caller's
    transaction. What did not change in the trace is left as people have answered it."""
    was, is_now = left_things(before, built_open), left_things(after, built_open)
    came = [thing for key, thing in is_now.items() if key not in was]
    gone = [key for key in was if key not in is_now]
    if not came and not gone:
        return
    keys = [*gone, *(thing.key for thing in came)]
    live = {item.key: item for item in left_live(trace.path_id).filter(key__in=keys)}
    at = now()
    AsLeftItem.objects.bulk_create(
        left_item(thing, trace.path_id, trace.call_id, by, trace)
        for thing in came
        if thing.key not in live
    )
    ended = [live[key].pk for key in gone if key in live]
    if ended:
        AsLeftItem.objects.filter(pk__in=ended).update(restored_at=at, restored_by_name=by.name)


def left_live(path_id: int | None) -> QuerySet[AsLeftItem]:
    """The live items of a path, the oldest first."""
    return AsLeftItem.objects.filter(path_id=path_id, restored_at__isnull=True).order_by("pk")


@transaction.atomic
def as_left_add(*, call: FaultCall, thing: LeftThing, note: str = "", by: Actor) -> AsLeftItem:
    """Something left that no trace says, such as a lid up or a stake in the ground.

    The same thing again answers the row that is there. Raises Invalid, Conflict where the call
    has no path.
    """
    refuse_defects("thing left", _thing_defects(thing, note))
    held = locked_one(call)
    if held.path is None or held.path_id is None:
        raise Conflict("The call names no wire path yet: say which one it is about first.")
    thing = left_thing_named(thing, held.path)
    refuse_defects("thing left", left_name_defects(thing, held.path))
    there = left_live(held.path_id).filter(key=thing.key).first()
    if there is not None:
        return there
    item = left_item(thing, held.path_id, held.pk, by, None)
    item.note = note
    item.save()
    _record(held, "as-left.added", item, by)
    return item


def _thing_defects(thing: LeftThing, note: str) -> Iterator[Defect]:
    if thing.kind not in LeftKind.values:
        yield Defect("/kind", f"{thing.kind!r} is nothing to be left", ", ".join(LeftKind))
    if thing.kind not in _NAMELESS:
        yield from name_defects("/name", thing.name, MOST_NAME)
    elif thing.name:
        yield Defect("/name", "there is one of these at most", "leave it out")
    yield from line_defects("/note", note, 200)


@transaction.atomic
def as_left_answer(*, call: FaultCall, answers: Sequence[LeftAnswer], by: Actor) -> None:
    """Say of things left on the path of a call that they are restored, or kept and why.

    Raises Invalid where an answer does not fit or names nothing that is left there.
    """
    as_left_answered(held=locked_one(call), answers=answers, by=by)


def as_left_answered(*, held: FaultCall, answers: Sequence[LeftAnswer], by: Actor) -> None:
    """The same for a locked call, within the caller's transaction."""
    defects = [one for n, said in enumerate(answers) for one in said.defects(f"/left/{n}")]
    live = {item.public_id: item for item in locked(left_live(held.path_id))}
    seen: set[str] = set()
    for n, said in enumerate(answers):
        if said.item not in live or said.item in seen:
            right = ", ".join(live) or "nothing: the path is as built"
            defects.append(Defect(f"/left/{n}/item", f"{said.item[:60]!r} is not left", right))
        seen.add(said.item)
    refuse_defects("list of answers to what is left", defects)
    for said in answers:
        _answered(held, live[said.item], said, by)


def refuse_unanswered(held: FaultCall, answers: Sequence[LeftAnswer], *, closing: bool) -> None:
    """Raise Invalid with each thing left on the path of a call that nobody has answered for.

    On leaving, what was kept with a reason before is answered; on ``closing`` it is asked again.
    """
    said = {one.item for one in answers}
    open_items = [
        item
        for item in left_live(held.path_id)
        if item.public_id not in said and (closing or not item.kept_why)
    ]
    if open_items:
        _raise_unanswered(open_items)


def _raise_unanswered(items: Sequence[AsLeftItem]) -> None:
    """Raise Invalid that lists things left."""
    defects = [
        Defect("/left", f"not answered: {left_words(item)}", "restored, or kept with a reason")
        for item in items
    ]
    told = [
        {"item": item.public_id, "kind": item.kind, "where": item.where, "kept": item.kept_why}
        for item in items
    ]
    raise Invalid(
        "Say of each thing that is left on the path whether it is restored or kept, and why.",
        defects=defects,
        extra={"as_left": told},
    )


def _answered(held: FaultCall, item: AsLeftItem, said: LeftAnswer, by: Actor) -> None:
    AsLeftAnswer.objects.create(
        item=item,
        call=held,
        answer=said.answer,
        why=said.why,
        at=now(),
        by_id=by.public_id,
        by_name=by.name,
    )
    if said.answer == LeftAnswerKind.RESTORED:
        item.restored_at, item.restored_by_name = now(), by.name
    else:
        item.kept_why = said.why
    item.save()
    _record(held, f"as-left.{said.answer}", item, by)


def left_item(
    thing: LeftThing, path_id: int, call_id: int, by: Actor, trace: Trace | None
) -> AsLeftItem:
    """A thing left, not stored yet."""
    return AsLeftItem(
        path_id=path_id,
        call_id=call_id,
        trace=trace,
        kind=thing.kind,
        key=thing.key,
        where=thing.where,
        since=now(),
        by_name=by.name,
    )


def _record(call: FaultCall, action: str, item: AsLeftItem, by: Actor) -> None:
    change_record(
        by=by,
        action=action,
        thing=("as-left", item.public_id),
        thread_id=call.public_id,
        after={"key": item.key, "note": item.note, "kept": item.kept_why},
    )
