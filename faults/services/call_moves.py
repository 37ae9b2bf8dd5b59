"""Moving calls from state to state: the only way in which a state changes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from django.db import IntegrityError, transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import locked_one
from core.problems import Conflict, Defect, IllegalMove, Stale
from faults.models.call import CallMove, FaultCall
from faults.models.trace import Finding, Trace
from faults.transitions import ENDED, CallOutcome, CallState, legal_moves
from sites.field_checks import line_defects, refuse_defects

MOST_WORDS = 500


@dataclass(frozen=True)
class Move:
    """Where a call shall go and why.

    ``outcome`` goes with *closed* and ``until``, a day, with *waiting*; both want a ``why``.
    """

    to: str
    why: str = ""
    outcome: str = ""
    until: dt.date | None = None

    def defects(self) -> Iterator[Defect]:
        """What does not fit, with JSON pointers."""
        if self.to not in CallState.values:
            yield Defect("/to", f"{self.to!r} is no state", f"one of {', '.join(CallState)}")
        yield from line_defects("/why", self.why, MOST_WORDS)
        if self.to in (CallState.CLOSED, CallState.WAITING) and not self.why.strip():
            yield Defect("/why", f"{self.to} wants a reason", "say why in a few words")
        if self.to == CallState.CLOSED and self.outcome not in CallOutcome.values:
            right = f"one of {', '.join(CallOutcome)}"
            yield Defect("/outcome", f"{self.outcome!r} is no outcome", right)
        if self.to != CallState.CLOSED and self.outcome:
            yield Defect("/outcome", "only a closed call has an outcome", "leave it out")
        if self.to != CallState.WAITING and self.until is not None:
            yield Defect("/until", "only a waiting call has a day to wait for", "leave it out")


@transaction.atomic
def call_move(*, call: FaultCall, move: Move, version: int, by: Actor) -> FaultCall:
    """Move a call by hand.

    Raises Invalid, Stale where the call is past ``version``, IllegalMove with the legal states
    where its state does not allow it (*found* only while a proof stands), Conflict where a trace
    is under way that has to end first, or where another call is open on the path.
    """
    refuse_defects("move", move.defects())
    held = held_call(call, version)
    refuse_illegal(held, move.to)
    if move.to in ENDED:
        running = Trace.objects.filter(call=held, ended_at__isnull=True).first()
        if running is not None:
            raise Conflict(
                f"The trace {running.public_id} is under way: end it first.",
                extra={"trace": running.public_id},
            )
    call_moved(held=held, move=move, by=by)
    return held


def held_call(call: FaultCall, version: int) -> FaultCall:
    """The call locked, at the version its editor saw. Raises Stale."""
    held = locked_one(call)
    if held.version != version:
        raise Stale(
            f"The call is at version {held.version}, not {version}: read it again.",
            extra={"version": held.version, "state": held.state},
        )
    return held


def refuse_illegal(held: FaultCall, to: str) -> None:
    """Raise IllegalMove where the call's state does not lead there."""
    legal = legal_moves(held.state, proved=has_proof(held))
    if to in legal:
        return
    if to == CallState.FOUND and CallState.FOUND in legal_moves(held.state, proved=True):
        detail = "Found is what a trace has proved, and nothing is proved yet."
    else:
        detail = f"A call that is {held.state} cannot become {to}."
    raise IllegalMove(detail, extra={"state": held.state, "legal": [str(s) for s in legal]})


def has_proof(call: FaultCall) -> bool:
    """Whether something is proved for a call, and still holds."""
    return Finding.objects.filter(
        trace__call=call, proved=True, superseded_at__isnull=True
    ).exists()


def call_moved(*, held: FaultCall, move: Move, by: Actor) -> None:
    """Move a locked call, within the caller's transaction; the caller knows that it is legal.

    Raises Conflict where it would open again beside another open call of its path.
    """
    before, to = held.state, CallState(move.to)
    if before in ENDED and to not in ENDED:
        refuse_second(held)
    held.state = to
    held.outcome = move.outcome
    held.outcome_reason = move.why if to == CallState.CLOSED else ""
    held.closed_at = now() if to in ENDED else None
    held.wait_reason = move.why if to == CallState.WAITING else ""
    held.waits_until = move.until
    call_store(held)
    move_write(call=held, before=before, why=move.why, by=by)
    change_record(
        by=by,
        action="call.moved",
        thing=("call", held.public_id),
        before={"state": before},
        after={
            "state": held.state,
            "why": move.why,
            "outcome": held.outcome,
            "until": None if move.until is None else move.until.isoformat(),
        },
    )


def call_store(held: FaultCall) -> None:
    """Store a locked call as its next version, within the caller's transaction.

    Raises Conflict where it is open and another call of its path is too.
    """
    held.version += 1
    try:
        with transaction.atomic():
            held.save()
    except IntegrityError:
        # Another may have been opened meanwhile.
        refuse_second(held)
        raise


def move_write(*, call: FaultCall, before: str, why: str, by: Actor) -> None:
    """Write down that a call came to the state it is in."""
    CallMove.objects.create(
        call=call,
        from_state=before,
        to_state=call.state,
        at=now(),
        by_kind=by.kind,
        by_id=by.public_id,
        by_name=by.name,
        why=why,
    )


def other_open_call(call: FaultCall) -> FaultCall | None:
    """Another open call on the path of this one."""
    if call.path_id is None:
        return None
    others = FaultCall.objects.filter(path_id=call.path_id, closed_at__isnull=True)
    return others.exclude(pk=call.pk).first()


def refuse_second(call: FaultCall) -> None:
    """Raise Conflict where another call is open on the path: one at a time."""
    other = other_open_call(call)
    if other is not None:
        raise Conflict(
            f"The call {other.public_id} is open on this wire path: go on with that one.",
            extra={"call": other.public_id},
        )
