"""Beginning traces, and ending them by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

from django.db import IntegrityError, transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import locked_one
from core.problems import Conflict, Defect, Invalid, Stale
from core.text_checks import name_defects, refuse_defects
from faults.forms.known import history_document
from faults.forms.trace import TRACE_FORMAT, read_trace
from faults.models.call import FaultCall
from faults.models.return_test import SoundRecord
from faults.models.trace import Trace
from faults.selectors.trace_history import path_history
from faults.services.call_moves import MOST_WORDS, Move, call_moved, refuse_illegal
from faults.services.settlement import Settling, settle
from faults.services.sound_records import sound_known
from faults.trace_snapshot import (
    Snapshot,
    observation_rows,
    trace_lock,
    trace_snapshot,
)
from faults.tracing.problem import TraceProblem
from faults.tracing.rig_places import legs_of
from faults.transitions import CallState
from sites.forms.defects import FormDefects
from sites.models.wire_path import WirePath
from sites.network.errors import NetworkError
from sites.network_snapshot import path_network
from sites.survey_rows import path_survey

Document = dict[str, Any]

_KNOWN = ("series_coil_ohm", "meter", "costs", "priors", "sound_record", "dated")


def trace_start(*, call: FaultCall, by: Actor, known: Document | None = None) -> Trace:
    """Begin the trace of a call on the newest map of its path; the call goes to *tracing*.

    ``known`` is what is known before starting, with the members of the trace form besides its
    survey; without a sound record in it, the newest of each leg are taken, and without a day the
    property's today, from which records count their age. What the history of failures says of the
    path's places is taken from the newest run and kept with the trace, so that it is folded by the
    same for good. Run outside a transaction, for the first step is worked out here.
    Raises Invalid (pointers ``/known/…``), Conflict where the call has no path, a trace of it is
    under way or the map cannot be solved, IllegalMove where the call's state does not allow it.
    """
    path = _path_of(call)
    known = _with_sound_record(path, known or {})
    if known.get("sound_record"):
        zone = ZoneInfo(path.controller.property.time_zone)
        known = {"dated": now().astimezone(zone).date().isoformat(), **known}
    problem = problem_known(path, known)
    history = path_history(path, problem.path, [one.at for one in problem.priors])
    if history is not None:
        problem = replace(problem, history=history)
        known = known | {"history": history_document(history)}
    trace = Trace(
        call=call,
        path=path,
        revision=path.revision,
        known=known,
        started_at=now(),
        started_by_name=by.name,
        started_by_person_id=by.person_id,
    )
    snapshot = _first_snapshot(trace, problem)
    trace.standing = snapshot.standing
    try:
        with transaction.atomic(durable=True):
            _begin(trace, call, by)
    except IntegrityError:
        # Somebody else may have begun one meanwhile.
        _refuse_running(call)
        raise
    return trace


def problem_known(path: WirePath, known: Document) -> TraceProblem:
    """A path's newest map and what is said to be known of it, as the engine takes them.

    Raises Invalid with every defect of what is said to be known.
    """
    defects = [
        Defect(f"/known/{name}", f"{name!r} has no place here", f"one of {', '.join(_KNOWN)}")
        for name in known
        if name not in _KNOWN
    ]
    document = {"format": TRACE_FORMAT, "survey": path_survey(path, path.revision), **known}
    refuse_defects("knowledge before the trace", defects)
    try:
        return read_trace(document)
    except FormDefects as form:
        defects = [Defect(f"/known{one.pointer}", one.what, one.right) for one in form.defects]
        raise Invalid("The knowledge before the trace does not fit.", defects=defects) from form


def _with_sound_record(path: WirePath, known: Document) -> Document:
    if "sound_record" in known or not SoundRecord.objects.filter(path=path).exists():
        return known
    rows = sound_known(path, legs_of(path_network(path)))
    return known | ({"sound_record": rows} if rows else {})


def _path_of(call: FaultCall) -> WirePath:
    if call.path_id is None:
        raise Conflict("The call names no wire path yet: say which one it is about first.")
    path = WirePath.objects.select_related("controller__property").get(pk=call.path_id)
    if path.ended_at is not None:
        raise Conflict("The wire path has ended; nothing can be traced on it.")
    return path


def _first_snapshot(trace: Trace, problem: TraceProblem) -> Snapshot:
    try:
        with trace_lock(trace):
            return trace_snapshot(trace, (), lambda: problem)
    except NetworkError as unsolved:
        raise Conflict(f"The path as mapped cannot be traced: {unsolved}.") from unsolved


def _begin(trace: Trace, call: FaultCall, by: Actor) -> None:
    held = locked_one(call)
    _refuse_running(held)
    if held.path_id != trace.path_id:
        raise Stale("The call was given another wire path meanwhile: read it again.")
    if held.state != CallState.TRACING:
        refuse_illegal(held, CallState.TRACING)
        call_moved(held=held, move=Move(CallState.TRACING, "a trace was begun"), by=by)
    trace.call = held
    trace.save()
    change_record(
        by=by,
        action="trace.started",
        thing=("trace", trace.public_id),
        thread_id=held.public_id,
        after={
            "call": held.public_id,
            "path": trace.path.public_id,
            "revision": trace.revision,
            "known": sorted(trace.known),
        },
    )


def _refuse_running(call: FaultCall) -> None:
    running = Trace.objects.filter(call=call, ended_at__isnull=True).first()
    if running is not None:
        raise Conflict(
            f"The trace {running.public_id} of this call is under way: go on with that one.",
            extra={"trace": running.public_id},
        )


def trace_end(*, trace: Trace, why: str, version: int, by: Actor) -> Trace:
    """End a trace before it is done, as *unproved* with a reason; its suspects are kept.

    Run outside a transaction. Raises Invalid, Stale where the trace is past ``version``, Conflict
    where it has ended.
    """
    refuse_defects("ending", name_defects("/why", why, MOST_WORDS))
    with trace_lock(trace):
        seen = Trace.objects.select_related("path").get(pk=trace.pk)
        refuse_past(seen, version)
        if seen.ended_at is not None:
            raise Conflict(f"The trace has ended already: {seen.outcome}.")
        snapshot = trace_snapshot(seen, observation_rows(seen))
        with transaction.atomic(durable=True):
            call = locked_one(FaultCall(pk=seen.call_id))
            held = locked_one(seen)
            refuse_past(held, version)
            held.hand_reason = why
            settle(Settling(held, call, by, why), snapshot)
            held.version += 1
            held.save()
    return held


def refuse_past(trace: Trace, version: int) -> None:
    """Raise Stale where a trace is past a version."""
    if trace.version != version:
        raise Stale(
            f"The trace is at version {trace.version}, not {version}: read it again.",
            extra={"version": trace.version},
        )
