"""Opening calls and changing what is said of them."""

from __future__ import annotations

from dataclasses import dataclass

from django.db import IntegrityError, transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.models.accounts import Crew, Person
from core.problems import Conflict, Defect, Invalid
from core.text_checks import refuse_defects
from faults.models.call import FaultCall
from faults.models.event import EventKind, FaultEvent
from faults.models.trace import Trace
from faults.services.call_details import CallDetails
from faults.services.call_moves import (
    MOST_WORDS,
    call_store,
    held_call,
    move_write,
    refuse_second,
)
from sites.models.controller import Controller
from sites.models.property import Property
from sites.models.wire_path import WirePath


@dataclass(frozen=True)
class Where:
    """Where something is reported: a property and, as far as known, controller and path."""

    place: Property
    controller: Controller | None = None
    path: WirePath | None = None

    @classmethod
    def of_path(cls, path: WirePath) -> Where:
        """All three, from the path."""
        return cls(path.controller.property, path.controller, path)

    @property
    def has_ended(self) -> bool:
        """Whether it is no longer looked after."""
        parts = (self.place, self.controller, self.path)
        return any(part is not None and part.ended_at is not None for part in parts)


def call_open(*, where: Where, by: Actor, details: CallDetails | None = None) -> FaultCall:
    """A call that somebody asks for.

    Raises Invalid, Conflict where a call is open on the path or the place has ended.
    """
    details = details or CallDetails()
    refuse_defects("call", details.defects())
    if where.has_ended:
        raise Conflict("This is no longer looked after; a call needs a live property and path.")
    call = new_call(where, by)
    details.onto(call)
    refuse_second(call)
    try:
        with transaction.atomic():
            call_write(call=call, by=by, why="")
    except IntegrityError:
        # Another may have been opened meanwhile.
        refuse_second(call)
        raise
    return call


def call_from_event(*, event: FaultEvent, where: Where, by: Actor) -> FaultCall:
    """A call opened by an event, within the caller's transaction."""
    call = new_call(where, by)
    call.opened_at = event.at
    call.opened_by_event = event
    call_write(
        call=call,
        by=by,
        why=f"{EventKind(event.kind).label} reported by {event.source_name}"[:MOST_WORDS],
    )
    return call


def new_call(where: Where, by: Actor) -> FaultCall:
    """A call there, not stored yet."""
    at = now()
    return FaultCall(
        property=where.place,
        controller=where.controller,
        path=where.path,
        opened_at=at,
        created_at=at,
        opened_by_name=by.name,
    )


def call_write(*, call: FaultCall, by: Actor, why: str) -> None:
    """Store a new call with its first state, within the caller's transaction."""
    call.save()
    move_write(call=call, before="", why=why, by=by)
    change_record(
        by=by,
        action="call.opened",
        thing=("call", call.public_id),
        after={
            "property": call.property.public_id,
            "path": call.path.public_id if call.path else None,
            **CallDetails.of(call).told(),
            "event": call.opened_by_event.public_id if call.opened_by_event else None,
        },
    )


@transaction.atomic
def call_update(*, call: FaultCall, version: int, details: CallDetails, by: Actor) -> FaultCall:
    """The call with these details; where it has them already, nothing is written. Raises
    Invalid, Stale where it is past ``version``."""
    refuse_defects("call", details.defects())
    held = held_call(call, version)
    if details == CallDetails.of(held):
        return held
    before = CallDetails.of(held).told()
    details.onto(held)
    call_store(held)
    change_record(
        by=by,
        action="call.updated",
        thing=("call", held.public_id),
        before=before,
        after=details.told(),
    )
    return held


@transaction.atomic
def call_set_path(*, call: FaultCall, path: WirePath, version: int, by: Actor) -> FaultCall:
    """Say which wire path a call is about.

    Raises Invalid where the path is not on the call's property, Stale where the call is past
    ``version``, Conflict where it has been traced already or another call is open on the path.
    """
    held = held_call(call, version)
    if held.path_id == path.pk:
        return held
    if path.controller.property_id != held.property_id:
        defect = Defect("/path", "this wire path is on another property", "one of the call's")
        raise Invalid("The wire path does not fit the call.", defects=[defect])
    if path.ended_at is not None:
        raise Conflict("The wire path has ended.")
    if Trace.objects.filter(call=held).exists():
        raise Conflict("The call has been traced on its wire path; open another call instead.")
    before = held.path.public_id if held.path else None
    held.path, held.controller = path, path.controller
    if held.closed_at is None:
        refuse_second(held)
    call_store(held)
    change_record(
        by=by,
        action="call.path-set",
        thing=("call", held.public_id),
        before={"path": before},
        after={"path": path.public_id},
    )
    return held


@transaction.atomic
def call_assign(*, call: FaultCall, to: Crew | Person | None, version: int, by: Actor) -> FaultCall:
    """Give a call to a crew or to a person; None: to nobody.

    Raises Invalid for a person who works here no more, Stale where it is past ``version``,
    Conflict where the call has ended.
    """
    held = held_call(call, version)
    if held.closed_at is not None:
        raise Conflict(f"The call is {held.state}; open it again before it is given to anybody.")
    if isinstance(to, Person) and not to.is_active:
        defect = Defect("/person", f"{to.name} works here no more", "somebody who does")
        raise Invalid("The call cannot be given to them.", defects=[defect])
    before = _assigned(held)
    held.crew = to if isinstance(to, Crew) else None
    held.person = to if isinstance(to, Person) else None
    call_store(held)
    change_record(
        by=by,
        action="call.assigned",
        thing=("call", held.public_id),
        before=before,
        after=_assigned(held),
    )
    return held


def _assigned(call: FaultCall) -> dict[str, str | None]:
    return {
        "crew": call.crew.public_id if call.crew else None,
        "person": call.person.public_id if call.person else None,
    }
