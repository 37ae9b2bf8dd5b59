"""Taking observations in, each once, whatever comes twice, late or out of order.

The engine runs before the transaction that stores, which checks that nothing came between; if
something did, the engine runs again.
"""

from __future__ import annotations

import copy
import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from django.db import IntegrityError, transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import locked_one
from core.problems import Conflict, Defect, IllegalMove, Invalid, Unavailable
from core.text_checks import line_defects, refuse_defects
from faults.models.call import FaultCall
from faults.models.trace import Observation, Trace
from faults.observation_body import body_read, digest
from faults.services.settlement import Settling, settle
from faults.trace_fold import Apart, legal_dos
from faults.trace_snapshot import (
    VOID,
    ObservationRow,
    Snapshot,
    next_document,
    observation_rows,
    trace_lock,
    trace_snapshot,
)
from faults.tracing.observations import Strike
from faults.tracing.plausible import readings_doubted
from faults.tracing.rig import ACTS
from faults.tracing.rig_places import places_unknown

Document = dict[str, Any]

MOST_TRIES = 8
MOST_SEQ = 1_000_000
MOST_AHEAD = dt.timedelta(hours=1)
"""A clock that is further ahead is told of; zones that are mixed up are."""
_CLIENT_ID = re.compile(r"[\x21-\x7e]{1,80}")

LATE = "The trace had ended when this arrived; it is kept as late."
AFTER_END = "It came after the end of the trace, so it does not count in it."


@dataclass(frozen=True)
class Voiding:
    """Which observation is withdrawn, by its client id, and why."""

    client_id: str
    why: str = ""


@dataclass(frozen=True)
class ObservationResult:
    """What became of an observation: ``document`` is the next step, or the verdict, in the words
    of ``follow``. ``replayed``: it was there already and this is the first answer again."""

    observation: Observation
    document: Document
    replayed: bool
    late: bool
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class _Arrival:
    """An observation as it came in; ``at`` is the client's time."""

    row: ObservationRow
    at: dt.datetime
    by: Actor


@dataclass(frozen=True)
class _Reckoned:
    """What an arrival does to a trace as it was read."""

    trace: Trace
    rows: Sequence[ObservationRow]
    snapshot: Snapshot
    warnings: tuple[str, ...]


def observation_add(
    *,
    trace: Trace,
    by: Actor,
    client_id: str,
    body: object,
    client_seq: int,
    client_at: dt.datetime,
) -> ObservationResult:
    """Take an observation into a trace and say what comes next.

    ``body`` is the observation's document, or its JSON text. ``client_seq`` counts from 1, in the
    order in which things were done; the number of a refused observation is used again. One that
    is not legal while earlier numbers are still missing is kept until these have come. Run
    outside a transaction. Cost: one step of the engine where the trace is kept in this process.

    Raises Invalid with pointers into the body, IllegalMove where the rig does not allow it (with
    the step again and what would be legal), Conflict where the client id was used for another
    body; nothing is stored then.
    """
    document, observation = body_read(body)
    row = ObservationRow(client_id, client_seq, digest(document), "", document)
    return _taken_in(trace, _Arrival(row, client_at, by), names_step=observation.do == Strike.do)


def observation_void(
    *,
    trace: Trace,
    by: Actor,
    client_id: str,
    voiding: Voiding,
    client_seq: int,
    client_at: dt.datetime,
) -> ObservationResult:
    """Withdraw an observation of a trace by a row of its own; otherwise as ``observation_add``.

    Raises IllegalMove also where there is none such, or later ones rest on it.
    """
    refuse_defects("withdrawal", line_defects("/why", voiding.why, 500))
    if not _CLIENT_ID.fullmatch(voiding.client_id):
        raise _unfit("/voids", voiding.client_id)
    document = {"do": VOID, "observation": voiding.client_id, "why": voiding.why}
    row = ObservationRow(client_id, client_seq, digest(document), voiding.client_id, document)
    return _taken_in(trace, _Arrival(row, client_at, by), names_step=False)


def _taken_in(trace: Trace, arrival: _Arrival, *, names_step: bool) -> ObservationResult:
    _refuse_unfit(arrival)
    with trace_lock(trace):
        for _ in range(MOST_TRIES):
            seen = Trace.objects.select_related("path").get(pk=trace.pk)
            replayed = _replayed(seen, arrival)
            if replayed is not None:
                return replayed
            named = _with_named_target(seen, arrival) if names_step else arrival
            reckoned = _reckoned(seen, named)
            stored = _stored(reckoned, named)
            if stored is not None:
                return stored
    raise Unavailable(
        "Others write to this trace at the same time; send it again.",
        headers={"Retry-After": "1"},
    )


def _refuse_unfit(arrival: _Arrival) -> None:
    row = arrival.row
    if not _CLIENT_ID.fullmatch(row.client_id):
        raise _unfit("/client_id", row.client_id)
    defects = []
    if not 1 <= row.client_seq <= MOST_SEQ:
        right = f"a whole number from 1 to {MOST_SEQ}"
        defects.append(Defect("/client_seq", f"{row.client_seq} is out of range", right))
    if arrival.at.tzinfo is None:
        defects.append(Defect("/client_at", "the time names no zone", "a time with its offset"))
    refuse_defects("observation", defects)


def _unfit(pointer: str, name: str) -> Invalid:
    defect = Defect(pointer, f"{name[:80]!r} is no client id", "1 to 80 printable ASCII characters")
    return Invalid("The client id does not fit.", defects=[defect])


def _replayed(trace: Trace, arrival: _Arrival) -> ObservationResult | None:
    """The first answer again; None where the client id is new."""
    there = Observation.objects.filter(trace=trace, client_id=arrival.row.client_id).first()
    if there is None:
        return None
    if there.body_hash != arrival.row.body_hash:
        raise Conflict(
            f"The client id {there.client_id!r} was used for another observation of this trace.",
            extra={"client_id": there.client_id, "observation": there.body},
        )
    return ObservationResult(
        observation=there,
        document=there.answer["next"],
        replayed=True,
        late=there.late,
        warnings=tuple(there.answer["warnings"]),
    )


def _with_named_target(trace: Trace, arrival: _Arrival) -> _Arrival:
    """A strike by step number, bound to the observation that answered the step.

    A step's number moves when something comes in before it; the name does not. Where earlier
    observations are still missing, the fold goes by the number.
    """
    rows = observation_rows(trace)
    if _is_waiting(rows, arrival.row):
        return arrival
    before = [row for row in rows if row.client_seq <= arrival.row.client_seq]
    strike = arrival.row.entry().observation
    if not isinstance(strike, Strike):
        return arrival
    target = trace_snapshot(trace, before).fold.target_of(strike)
    return replace(arrival, row=replace(arrival.row, voids=target))


def _reckoned(trace: Trace, arrival: _Arrival) -> _Reckoned:
    """What the arrival does. Raises Invalid or IllegalMove where it is not taken."""
    rows = observation_rows(trace)
    before = trace_snapshot(trace, rows)
    place = sum(row.client_seq <= arrival.row.client_seq for row in rows)
    after_rows = [*rows[:place], arrival.row, *rows[place:]]
    entry = arrival.row.entry()
    unknown = places_unknown(before.fold.session.problem.path, entry.observation)
    if unknown is not None:
        raise Invalid(unknown.problem, defects=[Defect(unknown.pointer, unknown.problem)])
    snapshot = trace_snapshot(trace, after_rows)
    late = trace.ended_at is not None
    apart = snapshot.fold.why_apart(arrival.row.client_id)
    waits = _is_waiting(rows, arrival.row)
    if apart is not None and not waits and not late:
        raise _refused(apart, next_document(trace, before), legal_dos(before.fold))
    name = arrival.row.client_id
    after_end = any(one.name == name for one in snapshot.fold.after_end)
    # What puts the rig back is done after the end as it should be, and so is its undoing: neither
    # is late.
    undoes = any(one.name == entry.voids for one in before.fold.after_end)
    puts_back = undoes or (after_end and entry.observation.do in ACTS)
    warnings = [LATE] if late and not puts_back else []
    doubts = readings_doubted(before.fold.session.problem, entry.observation)
    warnings += [f"{one.words}: look at the meter and its range once more." for one in doubts]
    if arrival.at > now() + MOST_AHEAD:
        day = arrival.at.date().isoformat()
        warnings.append(f"By its client_at this was done on {day}: look at the clock that tells.")
    if after_end and not puts_back:
        warnings.append(AFTER_END)
    if apart is not None:
        waiting = " It is looked at again when earlier ones arrive." if waits else ""
        warnings.append(f"Kept, but it does not count as things stand: {apart.problem}{waiting}")
    knew = {one.name for one in before.fold.apart} | {arrival.row.client_id}
    warnings += [
        f"With this one, {one.name!r} does not count any more: {one.problem}"
        for one in snapshot.fold.apart
        if one.name not in knew
    ]
    return _Reckoned(trace, after_rows, snapshot, tuple(warnings))


def _is_waiting(rows: Sequence[ObservationRow], row: ObservationRow) -> bool:
    """Whether numbers before this one are still missing."""
    there = {other.client_seq for other in rows if other.client_seq < row.client_seq}
    return len(there) < row.client_seq - 1


def _refused(apart: Apart, step: Document, legal: list[str]) -> IllegalMove:
    return IllegalMove(
        apart.problem,
        defects=[Defect(apart.pointer, apart.problem)],
        extra={"legal": legal, "step": step},
    )


def _stored(reckoned: _Reckoned, arrival: _Arrival) -> ObservationResult | None:
    """Store an arrival with all that follows from it; None where something came between."""
    trace = reckoned.trace
    try:
        with transaction.atomic(durable=True):
            call = locked_one(FaultCall(pk=trace.call_id))
            held = locked_one(trace)
            if held.version != trace.version:
                return None
            return _write(held, call, reckoned, arrival)
    except IntegrityError:
        if Observation.objects.filter(trace=trace, client_id=arrival.row.client_id).exists():
            return None
        raise


def _write(
    trace: Trace, call: FaultCall, reckoned: _Reckoned, arrival: _Arrival
) -> ObservationResult:
    row, by = arrival.row, arrival.by
    late = trace.ended_at is not None
    settling = Settling(trace, call, by, _words(row, late=late))
    warnings = (*reckoned.warnings, *settle(settling, reckoned.snapshot))
    trace.observation_count += 1
    trace.version += 1
    trace.save()
    document = next_document(trace, reckoned.snapshot)
    observation = Observation.objects.create(
        trace=trace,
        client_id=row.client_id,
        body_hash=row.body_hash,
        body=row.body,
        voids=row.voids,
        client_seq=row.client_seq,
        client_at=arrival.at,
        received_at=now(),
        late=late,
        by_kind=by.kind,
        by_id=by.public_id,
        by_name=by.name,
        answer={"next": document, "warnings": list(warnings)},
    )
    change_record(
        by=by,
        action="trace.observed",
        thing=("trace", trace.public_id),
        thread_id=call.public_id,
        after={
            "client_id": row.client_id,
            "observation": row.body,
            "voids": row.voids,
            "late": late,
        },
    )
    return ObservationResult(
        observation=observation,
        document=copy.deepcopy(document),
        replayed=False,
        late=late,
        warnings=warnings,
    )


def _words(row: ObservationRow, *, late: bool) -> str:
    """What came in, for the record of what followed from it."""
    if row.voids:
        words = "an answer of the trace was withdrawn"
    else:
        words = "an answer of the trace came in"
    why = row.body.get("why")
    words = f"{words} after the end of the trace" if late else words
    return f"{words}: {why}" if why else words
