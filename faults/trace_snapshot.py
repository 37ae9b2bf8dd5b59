"""Rows of a trace as the engine takes them, folded, with the folds of this process kept.

A fold is found by the chain of digests over the trace and its observations in client order, so
a kept one is never wrong: other rows, or the same in another order, have another name. Any
process folds from the longest part it has, and from the start if it has none.
"""

from __future__ import annotations

import copy
import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from faults.forms.known import read_costs, read_history, read_meter, read_priors, read_sound_record
from faults.forms.observation import read_observation
from faults.forms.step import as_left_document, step_document, verdict_document
from faults.models.trace import Observation, Trace
from faults.observation_body import digest
from faults.trace_fold import Entry, Fold, fold_begin
from faults.tracing.observations import Strike
from faults.tracing.problem import TraceProblem
from faults.tracing.rig import as_left
from faults.tracing.step import Verdict
from sites.forms.survey import read_impedance
from sites.network_snapshot import path_network

Document = dict[str, Any]

MOST_WEIGHT = 300_000
"""Nodes and devices of all folds kept: one of 2,000 takes some 3.5 MB, so half a gigabyte at most.

Room for 75 traces under way on paths of 1,000 devices. Once they do not fit, each step folds its
whole trace anew, and a server that kept up falls behind at once: then more processes are needed.
"""

VOID = "void"
"""The ``do`` of a row that withdraws another by name; it is no observation of the forms."""

_STRIPES = 32


@dataclass(frozen=True, slots=True)
class ObservationRow:
    """What the fold needs of an observation."""

    client_id: str
    client_seq: int
    body_hash: str
    voids: str
    body: Document

    def entry(self) -> Entry:
        """The observation as the fold takes it."""
        if self.body["do"] == VOID:
            # Which step it strikes is found by the name of what it withdraws.
            return Entry(self.client_id, Strike(step=0, why=self.body["why"]), self.voids)
        return Entry(self.client_id, read_observation(self.body), self.voids)


@dataclass(frozen=True)
class Snapshot:
    """A folded trace and what is said of it: ``document`` is the next step or the verdict in
    the words of ``follow``, ``standing`` what lists show."""

    fold: Fold
    document: Document
    standing: Document


class SnapshotCache:
    """The snapshots used last, up to a weight. Safe between threads."""

    def __init__(self, most_weight: int) -> None:
        self._most_weight = most_weight
        self._weight = 0
        self._kept: OrderedDict[str, tuple[Snapshot, int]] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: str) -> Snapshot | None:
        """The snapshot of this name, or None."""
        with self._lock:
            found = self._kept.get(key)
            if found is None:
                return None
            self._kept.move_to_end(key)
            return found[0]

    def put(self, key: str, snapshot: Snapshot) -> None:
        """Keep a snapshot; those not used for longest go."""
        path = snapshot.fold.session.problem.path
        weight = len(path.nodes) + len(path.devices)
        with self._lock:
            if key not in self._kept:
                self._weight += weight
            self._kept[key] = (snapshot, weight)
            self._kept.move_to_end(key)
            while self._weight > self._most_weight and len(self._kept) > 1:
                _, (_, gone) = self._kept.popitem(last=False)
                self._weight -= gone

    def drop(self, keys: Sequence[str]) -> None:
        """Keep these no longer."""
        with self._lock:
            for key in keys:
                _, weight = self._kept.pop(key, (None, 0))
                self._weight -= weight

    def clear(self) -> None:
        """Keep nothing; the next folds are cold."""
        with self._lock:
            self._kept.clear()
            self._weight = 0

    def __len__(self) -> int:
        return len(self._kept)


CACHE = SnapshotCache(MOST_WEIGHT)

# Threads that want the same trace wait for one fold instead of each making it.
_stripes = tuple(threading.Lock() for _ in range(_STRIPES))


def trace_lock(trace: Trace) -> threading.Lock:
    """The lock under which this process folds a trace and stores what came of it."""
    return _stripes[hash(trace.public_id) % _STRIPES]


def trace_problem(trace: Trace) -> TraceProblem:
    """What a trace starts from: the map it is pinned to and what was known. Four queries or more.

    What is stored has been through the form's checks, so they are not made again.
    """
    known = trace.known
    coil = known.get("series_coil_ohm")
    return TraceProblem(
        path=path_network(trace.path, trace.revision),
        coil_ohm=None if coil is None else read_impedance(coil),
        meter=read_meter(known.get("meter", {})),
        costs=read_costs(known.get("costs", {})),
        priors=read_priors(known.get("priors", [])),
        history=read_history(known.get("history")),
        sound_record=read_sound_record(known.get("sound_record", [])),
        dated=known.get("dated"),
    )


def observation_rows(trace: Trace) -> list[ObservationRow]:
    """The observations of a trace in client order: one query."""
    rows = Observation.objects.filter(trace=trace).order_by("client_seq", "pk")
    names = ("client_id", "client_seq", "body_hash", "voids", "body")
    return [ObservationRow(*row) for row in rows.values_list(*names)]


def trace_snapshot(
    trace: Trace,
    rows: Sequence[ObservationRow],
    problem: Callable[[], TraceProblem] | None = None,
) -> Snapshot:
    """The trace folded over these rows, in their order. Hold :func:`trace_lock` around it.

    ``problem`` gives what it starts from where that is at hand; None: as stored.

    Cost: one step of the engine for each row after the longest part that is kept; without any
    kept, also the queries of :func:`trace_problem`. Never call it in a transaction.
    Raises sites.network.errors.NetworkError where the path as mapped cannot be solved.
    """
    keys = _chain(trace, rows)
    known = len(rows)
    while known >= 0 and (found := CACHE.get(keys[known])) is None:
        known -= 1
    if known == len(rows) and found is not None:
        return found
    if found is None:
        fold = fold_begin(trace_problem(trace) if problem is None else problem())
    else:
        fold = found.fold
    for row in rows[max(known, 0) :]:
        fold = fold.after(row.entry())
    snapshot = _snapshot(fold)
    CACHE.put(keys[-1], snapshot)
    # The one before it stays: what is told next may be refused, or take this one's place.
    CACHE.drop(keys[:-2])
    return snapshot


def snapshot_now(trace: Trace) -> Snapshot:
    """The trace as it stands, folded. One query where it is kept, else also those of a fold."""
    with trace_lock(trace):
        return trace_snapshot(trace, observation_rows(trace))


def next_document(trace: Trace, snapshot: Snapshot) -> Document:
    """The next step, or the verdict of a trace that is done or was ended by hand."""
    if snapshot.fold.verdict is None and trace.ended_at is not None:
        return verdict_document(verdict_by_hand(snapshot.fold, trace.reason))
    return copy.deepcopy(snapshot.document)


def verdict_by_hand(fold: Fold, reason: str) -> Verdict:
    """The verdict of a trace that people ended before it was done: unproved, with its suspects."""
    session = fold.session
    state = session.state
    search = None
    if state.suspected_min is not None and state.reference_min is not None:
        search = state.suspected_min - state.reference_min
    return Verdict(
        outcome="unproved",
        found=session.case.suspects(3),
        observations=len(session.told),
        search_minutes=search,
        minutes=state.minutes,
        as_left=as_left(fold.rig),
        reason=reason,
    )


def _snapshot(fold: Fold) -> Snapshot:
    verdict = fold.verdict
    left = as_left(fold.rig)
    if verdict is None:
        document = step_document(fold.session.step)
        standing = {name: document[name] for name in ("stage", "step", "remaining_minutes")}
        suspects = document["suspects"][:3]
    else:
        document = verdict_document(replace(verdict, as_left=left))
        standing = {"stage": "done"}
        suspects = document["found"]
    minutes = round(fold.session.state.minutes, 2)
    standing |= {"minutes": minutes, "suspects": suspects, "as_left": as_left_document(left)}
    return Snapshot(fold, document, standing)


def _chain(trace: Trace, rows: Sequence[ObservationRow]) -> list[str]:
    """The names of the folds after none, one, … all of the rows."""
    link = digest([trace.public_id, trace.path_id, trace.revision, trace.known])
    keys = [link]
    for row in rows:
        text = "\n".join((link, row.client_id, row.body_hash, row.voids))
        link = hashlib.sha256(text.encode()).hexdigest()
        keys.append(link)
    return keys
