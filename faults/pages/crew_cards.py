"""How a crew is planned with, and the addresses of its calendar."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from core.accounts.actor import Actor
from core.accounts.directory import crew_get
from core.models.accounts import Crew
from core.pages.access import may_rule, office_page
from core.pages.numbers import NumberField
from core.pages.problems import problem_onto_form
from core.problems import Problem
from faults.hours_words import RIGHT, hours_words
from faults.models.dispatch import CrewCard
from faults.pages.planning_fields import HoursField, PartsField, WordsField
from faults.selectors.day_plans import calendar_address_get, calendar_address_list, crew_card
from faults.services.calendar_addresses import calendar_address_issue, calendar_address_revoke
from faults.services.crew_cards import MOST_PEOPLE, CrewPlanned, crew_card_set

Document = dict[str, Any]


class CardForm(forms.Form):
    """How a crew is planned with."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    time_zone = forms.CharField(label="Time zone", help_text="Such as Europe/Madrid.")
    base_lat = NumberField(label="Base, degrees north", signed=True)
    base_lon = NumberField(label="Base, degrees east", signed=True)
    people = forms.IntegerField(label="People", min_value=1, max_value=MOST_PEOPLE)
    skills = WordsField(label="Skills", required=False, help_text="Parted by commas.")
    tools = WordsField(label="Tools aboard", required=False, help_text="Parted by commas.")
    parts = PartsField(
        label="Parts aboard at the start", required=False, help_text="4 splice kit, 1 decoder"
    )
    hours = HoursField(label="Shifts", required=False, help_text=RIGHT.capitalize())
    days_off = WordsField(
        label="Days off", required=False, help_text="Such as 2026-12-24, 2026-12-25."
    )


def _initial(card: CrewCard | None) -> Document:
    if card is None:
        return {"version": 0, "people": 1}
    return {
        "version": card.version,
        "time_zone": card.time_zone,
        "base_lat": card.base_lat,
        "base_lon": card.base_lon,
        "people": card.people,
        "skills": ", ".join(card.skills),
        "tools": ", ".join(card.tools),
        "parts": ", ".join(f"{count} {name}" for name, count in card.parts.items()),
        "hours": hours_words(card.hours),
        "days_off": ", ".join(card.days_off),
    }


@require_http_methods(["GET", "HEAD", "POST"])
@office_page
def crew_card_page(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """A crew's card, and its calendar addresses."""
    crew = crew_get(public_id)
    card = crew_card(crew)
    form, status = CardForm(initial=_initial(card)), 200
    if request.method == "POST":
        form, status = CardForm(request.POST), 422
        if form.is_valid():
            said = dict(form.cleaned_data)
            version = said.pop("version")
            try:
                crew_card_set(crew=crew, planned=CrewPlanned(**said), version=version, by=actor)
            except Problem as problem:
                problem_onto_form(form, problem)
                status = int(problem.status)
            else:
                messages.success(request, f"{crew.name} is planned with so.")
                return redirect("day-plans")
    return _shown(request, actor, crew, form, status=status)


def _shown(
    request: HttpRequest, actor: Actor, crew: Crew, form: CardForm, *, status: int, told: str = ""
) -> HttpResponse:
    context = {
        "crew": crew,
        "form": form,
        "addresses": list(calendar_address_list(crew)),
        "may_plan": may_rule(actor),
        "told": told,
    }
    return render(request, "faults/crew_card.html", context, status=status)


@require_POST
@office_page
def crew_calendar(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """A new address of a crew's calendar: shown in this answer alone, for it is not kept."""
    crew = crew_get(public_id)
    _, secret = calendar_address_issue(crew=crew, by=actor)
    told = request.build_absolute_uri(reverse("calendar", args=[secret]))
    form = CardForm(initial=_initial(crew_card(crew)))
    return _shown(request, actor, crew, form, status=201, told=told)


@require_POST
@office_page
def crew_calendar_revoke(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """End an address of a crew's calendar at once."""
    address = calendar_address_get(public_id)
    calendar_address_revoke(address=address, by=actor)
    messages.success(request, "The address answers no more.")
    return redirect("crew-card", address.crew.public_id)
