"""What a visit for a call wants of a crew, and when people are let in."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from core.accounts.actor import Actor
from core.pages.access import page
from core.pages.problems import problem_onto_form
from core.problems import Problem
from faults.hours_words import hours_said, hours_words
from faults.models.call import FaultCall
from faults.pages.fields import refuse_readers
from faults.pages.planning_fields import HoursField, PartsField, WordsField
from faults.selectors.calls import call_get
from faults.selectors.day_plans import call_needs
from faults.services.crew_cards import MOST_PEOPLE, CallWants, call_needs_set

Document = dict[str, Any]


class WantsForm(forms.Form):
    """What planning has to heed; all but the number of people may stay empty."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    people = forms.IntegerField(label="People", min_value=1, max_value=MOST_PEOPLE)
    skills = WordsField(label="Skills", required=False, help_text="Parted by commas.")
    tools = WordsField(label="Tools", required=False, help_text="Parted by commas.")
    parts = PartsField(label="Parts", required=False, help_text="4 splice kit, 1 decoder")
    access = HoursField(
        label="When one is let in",
        required=False,
        help_text="Lines such as: mon-fri 08:00-16:00. Empty: at any time.",
    )


def wants_words(call: FaultCall) -> list[str]:
    """What planning heeds of a call, word by word: one query."""
    needs = call_needs(call)
    hours = hours_words(needs.access or hours_said(call.access_hours)).replace("\n", "; ")
    people = [f"{needs.people} people"] if needs.people > 1 else []
    parts = [f"{count} {name}" for name, count in needs.parts.items()]
    at = [f"one is let in {hours} only"] if hours else []
    return [*people, *needs.skills, *needs.tools, *parts, *at]


@require_http_methods(["GET", "HEAD", "POST"])
@page
def call_wants(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """The form, and keeping what it says."""
    refuse_readers(actor)
    call = call_get(public_id)
    if request.method != "POST":
        return _shown(request, call, WantsForm(initial=_initial(call)), 200)
    form = WantsForm(request.POST)
    if not form.is_valid():
        return _shown(request, call, form, 422)
    said = dict(form.cleaned_data)
    version = said.pop("version")
    try:
        call_needs_set(call=call, wants=CallWants(**said), version=version, by=actor)
    except Problem as problem:
        problem_onto_form(form, problem)
        return _shown(request, call, form, int(problem.status))
    messages.success(request, "Plans made from now on heed it.")
    return redirect("call", call.public_id)


def _initial(call: FaultCall) -> Document:
    """What is said now; until something is, the hours that the report told."""
    needs = call_needs(call)
    return {
        "version": needs.version,
        "people": needs.people,
        "skills": ", ".join(needs.skills),
        "tools": ", ".join(needs.tools),
        "parts": ", ".join(f"{count} {name}" for name, count in needs.parts.items()),
        "access": hours_words(needs.access or hours_said(call.access_hours)),
    }


def _shown(request: HttpRequest, call: FaultCall, form: WantsForm, status: int) -> HttpResponse:
    context = {"call": call, "place": call.property, "form": form}
    return render(request, "faults/wants.html", context, status=status)
