"""The first page: open calls, one's own first, then by urgency; then the properties."""

from __future__ import annotations

from django.db.models import Case, IntegerField, Q, Value, When
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from core.accounts.actor import Actor
from core.accounts.directory import crews_of
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
def open_calls(request: HttpRequest, actor: Actor) -> HttpResponse:
    """What is open: first what the person or a crew of theirs has, then the most urgent."""
    crews = own_crews(actor)
    own = Case(
        When(Q(person_id=actor.person_id) | Q(crew_id__in=crews), then=Value(0)),
        default=Value(1),
        output_field=IntegerField(),
    )
    order = Case(
        *(When(urgency=urgency, then=Value(place)) for place, urgency in enumerate(_URGENCIES)),
        output_field=IntegerField(),
    )
    found = call_list().order_by(own, order, "opened_at", "pk")
    calls = list(found[:MOST_CALLS])
    places = property_list()
    context = {
        "calls": calls_with_traces(calls, actor, crews),
        "waiting": sum(call.state == CallState.WAITING for call in calls),
        "more_calls": max(0, found.count() - len(calls)),
        "places": list(places[:MOST_PROPERTIES]),
        "place_count": places.count(),
    }
    return render(request, "faults/open_calls.html", context)


def own_crews(actor: Actor) -> set[int]:
    """The keys of the crews that the actor belongs to: one query."""
    return set(crews_of(actor.person_id).values_list("pk", flat=True))


def calls_with_traces(
    calls: list[FaultCall], actor: Actor, crews: set[int]
) -> list[dict[str, object]]:
    """Calls, each with the trace that is under way for it, and whether the actor or one of these
    crews of theirs has it: one query for all."""
    running = trace_list().filter(call__in=calls, ended_at__isnull=True)
    by_call = {trace.call_id: trace for trace in running}
    return [
        {
            "call": call,
            "trace": by_call.get(call.pk),
            "is_own": call.person_id == actor.person_id or call.crew_id in crews,
        }
        for call in calls
    ]
