"""What a trace's fold means for the trace, its findings and its call."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from faults.forms.observation import observation_document
from faults.forms.place import place_document
from faults.left_words import place_words, plain_reason
from faults.models.call import FaultCall
from faults.models.trace import Finding, Trace
from faults.services.as_left import as_left_follow
from faults.services.call_moves import MOST_WORDS, Move, call_moved, other_open_call, refuse_illegal
from faults.trace_fold import Fold
from faults.trace_snapshot import Snapshot, verdict_by_hand
from faults.tracing.case import PLACE_KINDS
from faults.tracing.proving import SUSPECTED
from faults.tracing.step import Verdict
from faults.transitions import MOVED_BY_TRACE, CallState, legal_moves

Document = dict[str, Any]

TAKEN_BACK = "What came in after the end of the trace changes it: the call is open again."
HELD_BY_OTHER = (
    "What came in after the end of the trace changes it, but another call or trace has taken its "
    "place; look there."
)
HELD_BY_CANCELLED = (
    "What came in after the end of the trace changes it; the call was cancelled and stays so."
)


@dataclass(frozen=True)
class Settling:
    """A locked trace and its locked call, who sent what came in, and how that is told."""

    trace: Trace
    call: FaultCall
    by: Actor
    why: str

    def moved(self, to: CallState, why: str, *, over_tracing: bool = False) -> None:
        """Move the call, by way of *tracing* where that has to be or is asked for."""
        if self.call.state == to and not over_tracing:
            return
        legal = legal_moves(self.call.state, proved=True)
        if self.call.state != CallState.TRACING and (over_tracing or to not in legal):
            self._move(CallState.TRACING, why)
        if self.call.state != to:
            self._move(to, why)

    def _move(self, to: CallState, why: str) -> None:
        refuse_illegal(self.call, to)
        call_moved(held=self.call, move=Move(to, why[:MOST_WORDS]), by=self.by)


def settle(settling: Settling, snapshot: Snapshot) -> tuple[str, ...]:
    """Bring trace, findings and call to what the fold says, within the caller's transaction.

    The caller saves the trace. Returns what has to be told about it.
    """
    trace = settling.trace
    verdict = snapshot.fold.verdict
    if verdict is None and trace.hand_reason:
        verdict = verdict_by_hand(snapshot.fold, trace.hand_reason)
    warnings: tuple[str, ...] = ()
    if trace.ended_at is not None:
        warnings = _resettle(settling, snapshot.fold, verdict)
    elif verdict is not None:
        _end(settling, snapshot.fold, verdict)
    else:
        _follow(settling, snapshot.fold)
    before = trace.standing.get("as_left", {})
    trace.standing = snapshot.standing | ({"stage": "done"} if trace.ended_at else {})
    built_open = frozenset(
        (segment.id, segment.joint_open)
        for segment in snapshot.fold.session.problem.path.segments
        if segment.joint_open is not None
    )
    as_left_follow(
        trace=trace,
        before=before,
        after=trace.standing["as_left"],
        built_open=built_open,
        by=settling.by,
    )
    return warnings


def _follow(settling: Settling, fold: Fold) -> None:
    """While a trace goes on, its call says whether something is suspected."""
    suspect = fold.session.state.proving
    to = CallState.TRACING if suspect is None else CallState.NARROWED
    if settling.call.state in MOVED_BY_TRACE:
        why = "nothing is suspected any more"
        if suspect is not None:
            why = f"suspected: {place_words(place_document(suspect))}"
        settling.moved(to, why)


def _end(settling: Settling, fold: Fold, verdict: Verdict) -> None:
    trace = settling.trace
    trace.ended_at = now()
    _say_ending(trace, verdict)
    findings_write(trace, fold, verdict)
    change_record(
        by=settling.by,
        action="trace.ended",
        thing=("trace", trace.public_id),
        thread_id=settling.call.public_id,
        after={"outcome": trace.outcome, "reason": trace.reason},
    )
    to = call_state_after(verdict)
    if settling.call.state in MOVED_BY_TRACE or to == CallState.FOUND:
        settling.moved(to, ending_words(verdict))


def _resettle(settling: Settling, fold: Fold, verdict: Verdict | None) -> tuple[str, ...]:
    """A trace that had ended, after something came in late."""
    trace, call = settling.trace, settling.call
    current = tuple(Finding.objects.filter(trace=trace, superseded_at__isnull=True).order_by("pk"))
    if verdict is not None and _says_the_same(trace, current, verdict):
        return ()
    was_proved = {str(one.at) for one in current if one.proved}
    before = {"outcome": trace.outcome, "reason": trace.reason}
    _supersede(settling, current)
    held = _held(settling)
    if verdict is None and not held:
        trace.ended_at, trace.outcome, trace.reason = None, "", ""
    else:
        _say_ending(trace, verdict or verdict_by_hand(fold, settling.why))
        findings_write(trace, fold, verdict or verdict_by_hand(fold, trace.reason))
    change_record(
        by=settling.by,
        action="trace.resettled",
        thing=("trace", trace.public_id),
        thread_id=call.public_id,
        before=before,
        after={"outcome": trace.outcome, "reason": trace.reason, "why": settling.why},
    )
    if held:
        return (held,)
    if verdict is None:
        settling.moved(CallState.TRACING, settling.why)
        _follow(settling, fold)
        return (TAKEN_BACK,)
    is_proved = {str(place_document(one.at)) for one in verdict.found if one.proved}
    if before["outcome"] == verdict.outcome and was_proved == is_proved:
        return ()
    settling.moved(call_state_after(verdict), settling.why, over_tracing=True)
    return (TAKEN_BACK,)


def _held(settling: Settling) -> str:
    """Why the call cannot open again; empty where it can."""
    call = settling.call
    if call.state == CallState.CANCELLED:
        return HELD_BY_CANCELLED
    newer = Trace.objects.filter(call=call, ended_at__isnull=True).exclude(pk=settling.trace.pk)
    if newer.exists() or other_open_call(call) is not None:
        return HELD_BY_OTHER
    return ""


def call_state_after(verdict: Verdict) -> CallState:
    """Where a call goes when its trace ends.

    Proved is found. A suspect without proof leaves the call narrowed, the controller too, for
    only licensed people may look into that. Otherwise the call is back for people to decide: to
    come again when it is wet, or to close.
    """
    if verdict.outcome == "proved":
        return CallState.FOUND
    if verdict.outcome == "controller":
        return CallState.NARROWED
    first = verdict.found[0] if verdict.found else None
    suspected = first is not None and first.chance >= SUSPECTED and first.at.kind in PLACE_KINDS
    return CallState.NARROWED if suspected else CallState.REPORTED


def ending_words(verdict: Verdict) -> str:
    """The ending of a trace in a line."""
    words = f"the trace ended {verdict.outcome.replace('-', ' ')}"
    reason = plain_reason(verdict.reason)
    return f"{words}: {reason}" if reason else words


def findings_write(trace: Trace, fold: Fold, verdict: Verdict) -> None:
    """Store what a verdict names, each with all steps it rests on."""
    basis = basis_rows(fold)
    at = now()
    Finding.objects.bulk_create(
        Finding(
            trace=trace,
            at=place_document(found.at),
            kind=found.kind,
            chance=found.chance,
            proved=found.proved,
            basis=basis,
            made_at=at,
        )
        for found in verdict.found
    )


def basis_rows(fold: Fold) -> list[Document]:
    """Every step of a trace with what was asked and told, the withdrawn ones marked."""
    names = {step: name for name, step in fold.steps}
    return [
        {
            "step": told.step,
            "asked": told.asked,
            "client_id": names.get(told.step, ""),
            "observation": observation_document(told.observation),
            "struck": told.struck,
        }
        for told in fold.session.told
    ]


def _supersede(settling: Settling, current: tuple[Finding, ...]) -> None:
    at = now()
    for finding in current:
        finding.superseded_at, finding.superseded_why = at, settling.why[:MOST_WORDS]
        finding.save()
        change_record(
            by=settling.by,
            action="finding.superseded",
            thing=("finding", finding.public_id),
            thread_id=settling.call.public_id,
            before={"at": finding.at, "chance": finding.chance, "proved": finding.proved},
            after={"why": finding.superseded_why},
        )


def _say_ending(trace: Trace, verdict: Verdict) -> None:
    trace.outcome = verdict.outcome
    trace.reason = verdict.reason[:MOST_WORDS]


def _says_the_same(trace: Trace, current: tuple[Finding, ...], verdict: Verdict) -> bool:
    there = [(one.at, one.kind, one.proved, round(one.chance, 6)) for one in current]
    said = [
        (place_document(one.at), one.kind, one.proved, round(one.chance, 6))
        for one in verdict.found
    ]
    return trace.outcome == verdict.outcome and there == said
