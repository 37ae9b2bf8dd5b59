"""What a trace of a path would take, kept for planning: the engine asked before anything is done.

The first step of a trace is worked out from the map alone, without a history or a sound record;
that takes up to a tenth of a second on a large path, so it is kept until the map changes.
"""

from __future__ import annotations

import time
from collections.abc import Iterable

from core.problems import Problem
from faults.models.call import FaultCall
from faults.models.dispatch import PathEstimate
from faults.services.traces import problem_known
from faults.tracing.session import begin
from faults.transitions import ENDED
from sites.models.wire_path import WirePath
from sites.network.errors import NetworkError

ENGINE = "1"
"""Told anew when the minutes still to expect are reckoned otherwise."""

MOST_S = 8.0
"""So long one plan waits for estimates; what is missing then comes with the next plan."""


def estimates_of_open_calls(*, most_s: float = MOST_S) -> int:
    """Make the estimates that are missing for the paths of open calls, the oldest call's first.

    Run outside a transaction. Returns how many were made; a path that cannot be traced has none.
    """
    paths = _without_estimate()
    stop_at = time.monotonic() + most_s
    made = 0
    for path in paths:
        if time.monotonic() >= stop_at:
            break
        made += _estimate(path)
    return made


def _without_estimate() -> Iterable[WirePath]:
    calls = FaultCall.objects.exclude(state__in=list(ENDED)).filter(
        path__isnull=False, path__ended_at__isnull=True
    )
    have = {
        (path, revision)
        for path, revision in PathEstimate.objects.filter(
            path__calls__in=calls, engine=ENGINE
        ).values_list("path_id", "revision")
    }
    related = calls.select_related("path__controller__property").order_by("opened_at", "pk")
    found = {call.path.pk: call.path for call in related if call.path is not None}
    return [path for path in found.values() if (path.pk, path.revision) not in have]


def _estimate(path: WirePath) -> bool:
    try:
        step = begin(problem_known(path, {})).step
    except (NetworkError, Problem, ValueError):
        return False
    PathEstimate.objects.update_or_create(
        path=path,
        defaults={
            "revision": path.revision,
            "engine": ENGINE,
            "p50_min": step.remaining_p50_min,
            "p90_min": step.remaining_p90_min,
        },
    )
    return True
