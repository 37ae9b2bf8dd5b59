"""The first page: open calls by urgency, then the properties."""

from __future__ import annotations

from django.db.models import Case, IntegerField, Value, When
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from core.accounts.actor import Actor
from core.pages.access import page
from faults.models.call import FaultCall, Urgency
from faults.selectors.calls import call_list
from faults.selectors.traces import trace_list
from faults.transitions import CallState
from sites.selectors.properties import property_list

MOST_CALLS = 100
MOST_PROPERTIES = 12

_URGENCIES = (Urgency.URGENT, Urgency.SOON, Urgency.ROUTINE)


@require_safe
@page
def open_calls(request: HttpRequest, _actor: Actor) -> HttpResponse:
    """What is open, the most urgent first."""
    order = Case(
        *(When(urgency=urgency, then=Value(place)) for place, urgency in enumerate(_URGENCIES)),
        output_field=IntegerField(),
    )
    found = call_list().order_by(order, "opened_at", "pk")
    calls = list(found[:MOST_CALLS])
    places = property_list()
    context = {
        "calls": calls_with_traces(calls),
        "waiting": sum(call.state == CallState.WAITING for call in calls),
        "more_calls": max(0, found.count() - len(calls)),
        "places": list(places[:MOST_PROPERTIES]),
        "place_count": places.count(),
    }
    return render(request, "faults/open_calls.html", context)


def calls_with_traces(calls: list[FaultCall]) -> list[dict[str, object]]:
    """Calls, each with the trace that is under way for it: one query for all."""
    running = trace_list().filter(call__in=calls, ended_at__isnull=True)
    by_call = {trace.call_id: trace for trace in running}
    return [{"call": call, "trace": by_call.get(call.pk)} for call in calls]
