"""The hand-over on paper: all that the next one needs to know of a call."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from core.accounts.actor import Actor
from core.clock import now
from core.pages.access import page
from faults.models.as_left import AsLeftItem, LeftKind
from faults.models.trace import Trace
from faults.pages.leaving import left_lines, left_on_path
from faults.pages.left_words import LEFT_CAUTIONS
from faults.pages.story import call_story
from faults.pages.words import TraceWords, stations_words
from faults.selectors.call_urgency import call_dryness
from faults.selectors.calls import call_get
from faults.selectors.repairs import repair_hold, repair_list, return_test_list
from faults.selectors.traces import observation_list, trace_list
from faults.services.closing import why_test_does_not_stand
from sites.network_snapshot import path_network

MOST_READINGS = 8
_TOLD = frozenset(
    {"message", "run_station", "reference", "clamp", "clamp_set", "path_off", "alone"}
)
"""Observations that read something; the rest only change the rig."""


@dataclass(frozen=True)
class LastReading:
    """Something that was read in a trace, in words."""

    at: dt.datetime
    task: str
    answer: str
    by: str


@require_safe
@page
def hand_over(request: HttpRequest, _actor: Actor, public_id: str) -> HttpResponse:
    """All that the next one needs to know of a call, on paper."""
    call = call_get(public_id)
    left = left_on_path(call)
    cautions = [LEFT_CAUTIONS[item.kind] for item in left if item.kind in LEFT_CAUTIONS]
    test = return_test_list(call).first()
    restore = call.partial_restores.order_by("-pk").first() if call.partly_restored else None
    lost = stations_words(restore.stations_lost, restore.unnumbered_lost) if restore else ""
    trace = trace_list(call).first()
    context = {
        "call": call,
        "place": call.property,
        "printed_at": now(),
        "dry": call_dryness([call])[call.pk],
        "power": _power(left, trace),
        "left_lines": left_lines(left),
        "cautions": list(dict.fromkeys(cautions)),
        "restore": restore,
        "stations_lost": lost,
        "story": call_story(call),
        "holds": [(repair, repair_hold(repair)) for repair in repair_list(call)],
        "test": test,
        "against": why_test_does_not_stand(call, test),
    }
    return render(request, "faults/hand_over.html", context | _of_trace(trace))


def _power(left: list[AsLeftItem], trace: Trace | None) -> str:
    """Whether the path is on, as far as anybody said."""
    by_kind = {item.kind: item for item in left}
    if LeftKind.POWER_OFF in by_kind:
        return f"Off, said {by_kind[LeftKind.POWER_OFF].by_name}."
    if LeftKind.POWER_ON in by_kind:
        return f"On while something is open, said {by_kind[LeftKind.POWER_ON].by_name}."
    if trace is not None and trace.standing.get("as_left", {}).get("power"):
        return "On, as the last trace left it."
    return "Nobody said that it is off: take it as on."


def _of_trace(trace: Trace | None) -> dict[str, Any]:
    """What the newest trace suspects and read last: one query and those of its map."""
    if trace is None:
        return {"suspects": [], "readings": [], "trace": None}
    words = TraceWords(path_network(trace.path, trace.revision))
    rows = list(observation_list(trace))
    gone = {row.voids for row in rows if row.voids}
    read = [
        LastReading(row.client_at, words.task(row.body), words.answer(row.body), row.by_name)
        for row in rows
        if row.client_id not in gone and row.body["do"] in _TOLD
    ]
    return {
        "suspects": words.suspects(trace.standing.get("suspects", [])),
        "readings": read[-MOST_READINGS:][::-1],
        "trace": trace,
    }
