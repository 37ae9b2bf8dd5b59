"""Taking in by hand what somebody reports of a property."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from core.accounts.actor import Actor
from core.locking import lock_name
from core.pages.access import page
from core.pages.problems import problem_onto_form
from core.problems import Problem
from faults.models.call import CallKind, Urgency
from faults.models.work import CallReport
from faults.pages.fields import LocalTimeField, OnceForm, StationsField, refuse_readers
from faults.services.call_details import CallDetails
from faults.services.calls import Where
from faults.services.intake import Reported, call_report
from sites.models.property import Property
from sites.selectors.properties import property_get

_SAID = ("urgency", "note", "kind", "only_with_station", "dry_stations", "promised_by", "contact")
_SAID_TOO = ("access_hours", "after_rain", "after_lightning", "digging_nearby")


class IntakeForm(OnceForm):
    """What somebody reports. All but kind and urgency may stay empty."""

    kind = forms.ChoiceField(label="What is wrong", choices=CallKind.choices)
    where = forms.ChoiceField(label="Where, as far as it is known", required=False)
    urgency = forms.ChoiceField(label="How soon", choices=Urgency.choices, initial=Urgency.SOON)
    dry_stations = StationsField(
        label="Stations without water",
        required=False,
        max_length=2000,
        help_text="Numbers, such as 3, 4, 7-9. Wanted where only some are dry.",
    )
    only_with_station = forms.IntegerField(
        label="It comes only while this station runs", required=False
    )
    after_rain = forms.BooleanField(label="After rain", required=False)
    after_lightning = forms.BooleanField(label="After lightning", required=False)
    digging_nearby = forms.BooleanField(label="After digging near by", required=False)
    note = forms.CharField(label="In a few words", required=False)
    contact = forms.CharField(label="Whom to ring on the way", required=False)
    access_hours = forms.CharField(
        label="When one is let in",
        required=False,
        help_text="Plans keep to hours such as mon-fri 08:00-16:00; other words are only shown.",
    )

    def __init__(self, place: Property, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        zone = ZoneInfo(place.time_zone)
        self._places = _places(place)
        listed = [(name, words) for name, (words, _) in self._places.items()]
        self.fields["where"] = forms.ChoiceField(
            label="Where, as far as it is known", required=False, choices=listed
        )
        self.fields["since"] = LocalTimeField(
            zone, label="First seen", required=False, help_text="Empty: just now."
        )
        self.fields["promised_by"] = LocalTimeField(zone, label="Promised by", required=False)

    def where_said(self) -> Where:
        """The place that was chosen."""
        return self._places[self.cleaned_data["where"]][1]

    def details(self) -> CallDetails:
        """What was said of it."""
        return CallDetails(**{name: self.cleaned_data[name] for name in (*_SAID, *_SAID_TOO)})

    def weather(self) -> list[forms.BoundField]:
        """The fields to tick."""
        return [self[name] for name in ("after_rain", "after_lightning", "digging_nearby")]


@require_http_methods(["GET", "HEAD", "POST"])
@page
def intake(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """A report by hand: a call of its own, or folded into the one that is open."""
    refuse_readers(actor)
    place = property_get(public_id)
    if request.method != "POST":
        return _shown(request, place, IntakeForm(place), 200)
    form = IntakeForm(place, request.POST)
    if not form.is_valid():
        return _shown(request, place, form, 422)
    try:
        told = _taken_once(form, actor)
    except Problem as problem:
        problem_onto_form(form, problem)
        return _shown(request, place, form, int(problem.status))
    if told.folded:
        messages.info(request, "A call is open for this already; the report is counted on it.")
    else:
        messages.success(request, "The call is open.")
    return redirect("call", told.call.public_id)


def _taken_once(form: IntakeForm, actor: Actor) -> Reported:
    details = form.details()
    said = details.told() | {"contact": details.contact}
    with transaction.atomic():
        lock_name(f"reports by {actor.public_id}")
        same = CallReport.objects.filter(
            by_id=actor.public_id, at__gte=form.asked_since(), kind=details.kind
        )
        for report in same.select_related("call"):
            if report.said == said:
                return Reported(report.call, folded=report.call.reports > 1)
        return call_report(
            where=form.where_said(), details=details, by=actor, since=form.cleaned_data["since"]
        )


def _places(place: Property) -> dict[str, tuple[str, Where]]:
    """What may be chosen, by the name that the form sends."""
    found: dict[str, tuple[str, Where]] = {}
    for controller in place.controllers.all():
        for path in controller.paths.all():
            where = Where(place, controller, path)
            found[path.public_id] = (f"{path.label} ({controller.name})", where)
    for controller in place.controllers.all():
        words = f"{controller.name}, path not known"
        found[controller.public_id] = (words, Where(place, controller))
    return found | {"": ("somewhere on the property", Where(place))}


def _shown(request: HttpRequest, place: Property, form: IntakeForm, status: int) -> HttpResponse:
    context = {"place": place, "form": form}
    return render(request, "faults/intake.html", context, status=status)
