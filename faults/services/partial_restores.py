"""Letting the rest of a path water while the faulty part is left off."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django.db import transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.problems import Conflict, Defect
from core.text_checks import line_defects, refuse_defects
from faults.left_things import LeftThing
from faults.models.as_left import LeftKind
from faults.models.call import FaultCall
from faults.models.work import PartialRestore
from faults.place_checks import place_on_path_defects
from faults.selectors.call_urgency import unnumbered_outputs
from faults.services.as_left import left_item, left_live
from faults.services.call_details import MOST_STATIONS
from faults.services.call_moves import MOST_WORDS, call_store, held_call
from faults.services.sound_records import number_defects

Document = dict[str, Any]

LEFT_OFF = "left off so that the rest waters"


@dataclass(frozen=True)
class RestoreDone:
    """What was left off, as places in the words of the forms (or ``{"leg": id}``), and what that
    costs: station numbers lost, how many outputs without a number beside them (None: those of the
    devices left off, where no number is said either), and the least voltage at a device that is
    on, read there unless ``is_predicted``."""

    left_off: tuple[Document, ...]
    stations_lost: tuple[int, ...] = ()
    unnumbered_lost: int | None = None
    least_device_v: float | None = None
    is_predicted: bool = False
    note: str = ""

    def defects(self) -> Iterator[Defect]:
        """What does not fit, the places aside, with JSON pointers."""
        if not self.left_off:
            yield Defect("/left_off", "nothing is left off", "what is, or say that all is on")
        if len(self.left_off) > 100:
            yield Defect("/left_off", f"there are {len(self.left_off)}", "at most 100")
        for number, place in enumerate(self.left_off):
            if place in ({}, {"controller": True}):
                right = "a leg, or a place on the path"
                yield Defect(f"/left_off/{number}", "this cannot be left off", right)
        if len(self.stations_lost) > MOST_STATIONS:
            yield Defect("/stations_lost", f"there are {len(self.stations_lost)}", "at most 1000")
        if not 0 <= (self.unnumbered_lost or 0) <= MOST_STATIONS:
            what = f"{self.unnumbered_lost} is out of range"
            yield Defect("/unnumbered_lost", what, f"0 to {MOST_STATIONS}")
        yield from number_defects("/least_device_v", self.least_device_v, 1000.0)
        yield from line_defects("/note", self.note, MOST_WORDS)


@transaction.atomic
def partial_restore_done(
    *, call: FaultCall, done: RestoreDone, version: int, by: Actor
) -> PartialRestore:
    """Say that all but a part waters again: the open call is marked *partly restored* beside its
    state, the stations lost are kept, and what is off is left on the path with that reason.

    Raises Invalid, Stale, Conflict where the call has ended or names no path.
    """
    held, path_id = _open_call(call, version)
    places = [
        defect
        for number, place in enumerate(done.left_off)
        for defect in place_on_path_defects(
            f"/left_off/{number}", {"segment": place["leg"]} if "leg" in place else place, held.path
        )
    ]
    refuse_defects("partial restore", [*done.defects(), *places])
    for place in done.left_off:
        _leave_off(held, path_id, place, by)
    return _write(held, done, by, all_on=False)


@transaction.atomic
def partial_restore_undone(*, call: FaultCall, version: int, note: str, by: Actor) -> None:
    """Say that nothing is left off any more. Raises Invalid, Stale, Conflict."""
    refuse_defects("note", line_defects("/note", note, MOST_WORDS))
    held, _ = _open_call(call, version)
    if not held.partly_restored:
        raise Conflict("The call is not partly restored.")
    _write(held, RestoreDone((), note=note), by, all_on=True)


def _open_call(call: FaultCall, version: int) -> tuple[FaultCall, int]:
    """The locked call and its path."""
    held = held_call(call, version)
    if held.closed_at is not None:
        raise Conflict(f"The call is {held.state}; nothing is restored on it.")
    if held.path_id is None:
        raise Conflict("The call names no wire path yet: say which one it is about first.")
    return held, held.path_id


def _leave_off(held: FaultCall, path_id: int, place: Document, by: Actor) -> None:
    kind, name = next(iter(place.items()))
    thing = (
        LeftThing(LeftKind.LEG_OFF, str(name))
        if kind == "leg"
        else LeftThing(LeftKind.ISOLATED, f"{kind}:{name}")
    )
    item = left_live(path_id).filter(key=thing.key).first()
    if item is None:
        item = left_item(thing, path_id, held.pk, by, None)
    item.kept_why = LEFT_OFF
    item.save()


def _write(held: FaultCall, done: RestoreDone, by: Actor, *, all_on: bool) -> PartialRestore:
    restore = PartialRestore.objects.create(
        call=held,
        all_on=all_on,
        left_off=list(done.left_off),
        stations_lost=sorted(set(done.stations_lost)),
        unnumbered_lost=_unnumbered_lost(held, done),
        least_device_v=done.least_device_v,
        is_predicted=done.is_predicted and done.least_device_v is not None,
        note=done.note,
        at=now(),
        by_id=by.public_id,
        by_name=by.name,
    )
    held.partly_restored = not all_on
    call_store(held)
    change_record(
        by=by,
        action="call.restored" if all_on else "call.partly-restored",
        thing=("call", held.public_id),
        after={
            "left_off": restore.left_off,
            "stations_lost": restore.stations_lost,
            "unnumbered_lost": restore.unnumbered_lost,
        },
    )
    return restore


def _unnumbered_lost(held: FaultCall, done: RestoreDone) -> int:
    if done.unnumbered_lost is not None:
        return done.unnumbered_lost
    devices = [place["device"] for place in done.left_off if "device" in place]
    if done.stations_lost or not devices or held.path_id is None:
        return 0
    return unnumbered_outputs(held.path_id, devices)
