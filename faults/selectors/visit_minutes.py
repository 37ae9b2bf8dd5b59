"""How long a visit takes: what is still to search by the engine, the repair, the return test."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from core.clock import now
from faults.dispatch.problem import Minutes
from faults.dispatch.shifts import minute_of
from faults.models.call import FaultCall
from faults.models.dispatch import PathEstimate
from faults.models.trace import Trace
from faults.services.work_rules import work_rules
from faults.transitions import CallState

_AFTER_SEARCH = (CallState.RETURN_TESTING, CallState.REPAIRING, CallState.FOUND)

UNTRACED = Minutes(45.0, 120.0)
"""Minutes to search and prove where the path is not known, or cannot be traced (common practice, no
source)."""
RETURN_TEST = Minutes(20.0, 35.0)
SOAK_LOOK = Minutes(20.0, 30.0)
REPAIR_SPREAD = 1.6
"""P90 of a repair over its P50 (common practice, no source)."""
STRETCH_LOOK = Minutes(30.0, 60.0)
"""Minutes of a look at a trouble stretch (common practice, no source)."""


@dataclass(frozen=True)
class CallMinutes:
    """Minutes to search and prove by the primary key of a call: ``traced`` from now on, of calls
    whose trace is under way; ``estimated`` from its first step on, of those whose path is known."""

    traced: Mapping[int, Minutes]
    estimated: Mapping[int, Minutes]
    repair_min: float

    @classmethod
    def of(cls, calls: Sequence[FaultCall]) -> CallMinutes:
        """Three queries, however many calls."""
        return cls(_traced(calls), _estimated(calls), work_rules().repair_min)

    def visit(self, call: FaultCall, since: dt.datetime | None) -> Minutes:
        """Minutes of a visit; ``since``: when it was begun, if it was."""
        state = CallState(call.state)
        search = self.traced.get(call.pk) or self.estimated.get(call.pk, UNTRACED)
        minutes = work_minutes(state, search, self.repair_min)
        if since is not None and (call.pk in self.traced or state in _AFTER_SEARCH):
            return _from_start(minutes, since)
        return minutes


def work_minutes(state: CallState, search: Minutes, repair_min: float) -> Minutes:
    """Minutes of a visit: what is still to search, the repair, the return test.

    P90s are added as if all ran long together, which is on the safe side.
    """
    parts = [RETURN_TEST]
    if state != CallState.RETURN_TESTING:
        parts.append(Minutes(repair_min, REPAIR_SPREAD * repair_min))
    if state not in _AFTER_SEARCH:
        parts.append(search)
    return Minutes(sum(one.p50 for one in parts), sum(one.p90 for one in parts))


def _from_start(left: Minutes, since: dt.datetime) -> Minutes:
    """Minutes still left from now on as minutes from the visit's start."""
    spent = float(max(minute_of(now()) - minute_of(since), 0))
    return Minutes(spent + left.p50, spent + left.p90)


def _traced(calls: Sequence[FaultCall]) -> dict[int, Minutes]:
    """What the engine said last of each call's trace."""
    found = {}
    for trace in Trace.objects.filter(call__in=calls, ended_at__isnull=True).order_by("pk"):
        left = trace.standing.get("remaining_minutes")
        if left is not None:
            found[trace.call_id] = Minutes(left["p50"], max(left["p50"], left["p90"]))
    return found


def _estimated(calls: Sequence[FaultCall]) -> dict[int, Minutes]:
    """What the engine says of the path of each call before anything is done there."""
    paths = {call.path_id for call in calls if call.path_id is not None}
    kept = {
        one.path_id: Minutes(one.p50_min, one.p90_min)
        for one in PathEstimate.objects.filter(path__in=paths)
    }
    return {call.pk: kept[call.path_id] for call in calls if call.path_id in kept}
