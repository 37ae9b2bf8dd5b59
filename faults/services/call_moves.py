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
from core.models.changes import Change
from core.problems import Conflict, Defect, IllegalMove, Stale
from core.text_checks import line_defects, refuse_defects
from faults.models.call import CallMove, FaultCall
from faults.models.event import FaultEvent
from faults.models.repair import Repair
from faults.models.return_test import ReturnTest
from faults.models.trace import Finding, Trace
from faults.services.as_left import LeftAnswer, as_left_answered, refuse_unanswered
from faults.services.closing import closing_test
from faults.services.repair_failures import newest_repair, repair_failure_write
from faults.transitions import (
    ENDED,
    LEAVES_THE_PLACE,
    CallOutcome,
    CallState,
    WaitKind,
    legal_moves,
)
from sites.field_checks import day_defects

MOST_WORDS = 500


@dataclass(frozen=True)
class Move:
    """Where a call shall go and why.

    ``outcome`` goes with *closed*; ``until``, a day, and ``wait_kind`` (empty: other) with
    *waiting*; both want a ``why``. ``untested_why``: why a call is closed as repaired without a
    passed return test. ``left`` answers for what is left on the path when people go.
    """

    to: str
    why: str = ""
    outcome: str = ""
    until: dt.date | None = None
    wait_kind: str = ""
    untested_why: str = ""
    left: tuple[LeftAnswer, ...] = ()

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
        if self.to != CallState.CLOSED and self.untested_why:
            yield Defect("/untested_why", "only a closed call has one", "leave it out")
        yield from line_defects("/untested_why", self.untested_why, MOST_WORDS)
        yield from self._wait_defects()

    def _wait_defects(self) -> Iterator[Defect]:
        if self.to == CallState.WAITING:
            if self.until is None:
                yield Defect("/until", "a call waits until a day", "the day to look at it again")
            yield from day_defects("/until", self.until)
            # A day may have begun at the property that has not begun yet in UTC.
            if self.until is not None and self.until < now().date() - dt.timedelta(days=1):
                yield Defect("/until", f"{self.until} is over", "a day that is still to come")
            if self.wait_kind and self.wait_kind not in WaitKind.values:
                right = f"one of {', '.join(WaitKind)}"
                yield Defect("/wait_kind", f"{self.wait_kind!r} is nothing to wait for", right)
            return
        if self.until is not None:
            yield Defect("/until", "only a waiting call has a day to wait for", "leave it out")
        if self.wait_kind:
            yield Defect("/wait_kind", "only a waiting call waits for something", "leave it out")


@transaction.atomic
def call_move(*, call: FaultCall, move: Move, version: int, by: Actor) -> FaultCall:
    """Move a call by hand.

    Raises Invalid, Stale where the call is past ``version``, IllegalMove with the legal states
    where its state does not allow it (*found* only while a proof stands), Conflict where a trace
    is under way that has to end first, or where another call is open on the path. Where people
    leave, Invalid with each thing left on the path that is not answered for; where it is closed
    as repaired, Invalid without a passed return test or a reason. Opening a repaired call again
    links it to the repair that did not hold.
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
    test = closing_test(held, move.outcome, move.untested_why) if move.to == "closed" else None
    if move.to in LEAVES_THE_PLACE:
        refuse_unanswered(held, move.left, closing=move.to == CallState.CLOSED)
    as_left_answered(held=held, answers=move.left, by=by)
    call_moved(held=held, move=move, by=by, test=test)
    return held


def held_call(call: FaultCall, version: int) -> FaultCall:
    """The call locked, at the version its editor saw. Raises Stale that tells what changed."""
    held = locked_one(call)
    if held.version != version:
        raise Stale(
            f"The call is at version {held.version}, not {version}: read it again.",
            extra={
                "version": held.version,
                "state": held.state,
                "changed": _changed_since(held, version),
            },
        )
    return held


MOST_TOLD = 20


def _changed_since(held: FaultCall, version: int) -> list[dict[str, object]]:
    """What was done to a call after a version, the oldest first: each version is one change."""
    count = min(max(held.version - version, 0), MOST_TOLD)
    rows = Change.objects.filter(object_id=held.public_id, object_kind="call").order_by("-pk")
    return [
        {"action": row.action, "by": row.actor_name, "at": row.at.isoformat(), "after": row.after}
        for row in reversed(rows[:count])
    ]


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


def call_moved(
    *,
    held: FaultCall,
    move: Move,
    by: Actor,
    test: ReturnTest | None = None,
    failed: Repair | None = None,
    event: FaultEvent | None = None,
) -> None:
    """Move a locked call, within the caller's transaction; the caller knows that it is legal.

    ``test``: the passed return test that it is closed on. Whoever opens a call again that was
    closed as repaired, it is linked to the repair that did not hold: its newest, or the one that
    is known to have ``failed``; ``event`` showed it. Raises Conflict where it would open again
    beside another open call of its path.
    """
    before, to = held.state, CallState(move.to)
    if before in ENDED and to not in ENDED:
        refuse_second(held)
    if failed is None and held.outcome == CallOutcome.REPAIRED:
        failed = newest_repair(held)
    held.state = to
    held.outcome = move.outcome
    held.outcome_reason = move.why if to == CallState.CLOSED else ""
    held.closing_test = test
    held.untested_why = ""
    if to == CallState.CLOSED and test is None:
        held.untested_why = move.untested_why or move.why
    held.closed_at = now() if to in ENDED else None
    held.partly_restored = held.partly_restored and to not in ENDED
    held.wait_kind = (move.wait_kind or WaitKind.OTHER) if to == CallState.WAITING else ""
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
            "wait_kind": held.wait_kind,
            "return_test": test.public_id if test else None,
            "untested_why": held.untested_why,
        },
    )
    if failed is not None:
        why = move.why or "The call was opened again."
        repair_failure_write(repair=failed, call=held, why=why, by=by, event=event)


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
