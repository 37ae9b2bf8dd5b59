"""The page of a property: the place, its calls, and reporting what was seen there."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods
from ulid import ULID

from core.accounts.actor import Actor
from core.clock import now
from core.pages.access import page
from core.pages.problems import problem_onto_form
from core.problems import Problem
from faults.models.event import EventKind
from faults.pages.fields import SAY, LocalTimeField
from faults.pages.open_calls import calls_with_traces, own_crews
from faults.selectors.calls import call_list
from faults.selectors.events import event_list
from faults.services.events import EventReport, event_report
from sites.models.property import Property
from sites.pages.properties import property_context
from sites.selectors.properties import property_get

MOST_EVENTS = 20
MOST_ENDED = 20


class ReportForm(forms.Form):
    """What was seen on a property. The time is the property's own."""

    external_id = forms.CharField(max_length=120, widget=forms.HiddenInput)
    kind = forms.ChoiceField(label="What", choices=[SAY, *EventKind.choices])
    path = forms.ChoiceField(label="On which two-wire path", required=False)
    note = forms.CharField(label="In a few words", required=False, max_length=500)

    def __init__(self, place: Property, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["at"] = LocalTimeField(ZoneInfo(place.time_zone), label="When")
        self.order_fields(["external_id", "kind", "path", "at", "note"])
        listed = [
            (path.public_id, f"{path.label} ({controller.name})")
            for controller in place.controllers.all()
            for path in controller.paths.all()
        ]
        self.fields["path"] = forms.ChoiceField(
            label="On which two-wire path", required=False, choices=[*listed, ("", "not known")]
        )


@require_http_methods(["GET", "HEAD", "POST"])
@page
def property_page(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """A property with its calls; a report from here may open one."""
    place = property_get(public_id)
    zone = ZoneInfo(place.time_zone)
    if request.method != "POST":
        name = f"page-{str(ULID()).lower()}"
        # By the clock of the property, as what is sent is read.
        at = now().astimezone(zone).replace(tzinfo=None)
        form = ReportForm(place, initial={"external_id": name, "at": at})
        return _shown(request, actor, place, form, 200)
    form = ReportForm(place, request.POST)
    if not form.is_valid():
        return _shown(request, actor, place, form, 422)
    try:
        told = event_report(report=_report(form, place), by=actor)
    except Problem as problem:
        problem_onto_form(form, problem)
        return _shown(request, actor, place, form, int(problem.status))
    messages.success(request, "The report is kept.")
    if told.call is not None:
        return redirect("call", told.call.public_id)
    return redirect("property", place.public_id)


def _report(form: ReportForm, place: Property) -> EventReport:
    said = form.cleaned_data
    return EventReport(
        kind=said["kind"],
        at=said["at"],
        place=place.public_id,
        path=said["path"],
        note=said["note"],
        external_id=said["external_id"],
    )


def _shown(
    request: HttpRequest, actor: Actor, place: Property, form: ReportForm, status: int
) -> HttpResponse:
    calls = call_list(place=place)
    ended = call_list(place=place, with_ended=True).filter(closed_at__isnull=False)
    context = property_context(place, actor) | {
        "calls": calls_with_traces(list(calls), actor, own_crews(actor)),
        "ended": list(ended.order_by("-closed_at")[:MOST_ENDED]),
        "events": list(event_list(place=place)[:MOST_EVENTS]),
        "form": form,
    }
    return render(request, "faults/property.html", context, status=status)
