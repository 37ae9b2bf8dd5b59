"""Closed calls: how they ended, whether they held, and how many call-backs were to be expected.

Skipping proof must not look good. So a call-back is *any* later call on the path, whatever it
turned out to be and wherever it was: a closing without a proof cannot hide behind another place.
What is expected goes by the path alone, proved or not. And a closing counts as held only where it
was proved and tested: one without a proof is never counted as held, however quiet it stays.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass

from faults.audit.ground import Rates
from faults.audit.records import Asked, Case, Records

PROVED, NO_FAULT, UNPROVED = ENDS = ("proved", "no-fault-found", "unproved")


@dataclass(frozen=True, slots=True)
class Closure:
    """A call that was closed. ``end``: proved, no-fault-found or unproved. ``called_back``: the
    next call on its path within the window (itself, where it was opened again), or empty;
    ``whole``: the audit has seen all of the window, and ``held`` is None until it has: else what is
    lost would be counted earlier than what holds."""

    case: Case
    at: float
    end: str
    called_back: str
    whole: bool
    chance: float
    held: bool | None


def closures(records: Records, asked: Asked, rates: Rates) -> tuple[Closure, ...]:
    """Every closed call that the audit asks about, the oldest first. O(cases log cases)."""
    by_path: dict[str, list[Case]] = defaultdict(list)
    for case in records.cases:
        if not case.cancelled and case.opened < asked.until:
            for path in case.paths:
                by_path[path].append(case)
    bad = {one.case for one in records.repairs if one.told_failed or one.soak == "failed"}
    return tuple(
        _closure(case, case.closed, asked, rates, by_path, failed=case.id in bad)
        for case in records.cases
        if case.closed is not None and not case.cancelled and asked.has(case, case.closed)
    )


def _closure(
    case: Case,
    at: float,
    asked: Asked,
    rates: Rates,
    by_path: dict[str, list[Case]],
    *,
    failed: bool,
) -> Closure:
    last = min(at + asked.window, asked.until)
    found = [
        (other.opened, other.id)
        for path in case.paths
        for other in by_path[path]
        if other.id != case.id and at < other.opened <= last
    ]
    if case.reopened is not None and case.reopened <= last:
        found.append((case.reopened, case.id))
    called_back = min(found)[1] if found else ""
    whole = at + asked.window <= asked.until
    end = end_of(case)
    lost = end != PROVED or not case.tested or bool(called_back) or failed
    chance = -math.expm1(-rates.expected_calls(case.paths, at, last))
    return Closure(case, at, end, called_back, whole, chance, not lost if whole else None)


def end_of(case: Case) -> str:
    """How a closed call ended: by what stands proved, not by what was written at its closing."""
    if case.proof:
        return PROVED
    return NO_FAULT if case.outcome == "not-present" else UNPROVED
