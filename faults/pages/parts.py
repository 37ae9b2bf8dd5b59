"""Parts that were taken out: tagged, opened, tested on the bench."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from core.accounts.actor import Actor
from core.pages.access import may_change, page
from core.pages.problems import problem_onto_form
from core.problems import NotFound, Problem
from faults.left_words import place_words
from faults.models.call import FaultCall
from faults.models.repair import BenchResult, Cause, RemovedPart
from faults.pages.fields import place_choices, place_of, refuse_readers
from faults.pages.repairs import PhotoForm, photo_taken
from faults.selectors.calls import call_get
from faults.selectors.repairs import removed_part_list, repair_list
from faults.services.removed_parts import PartDetails, PartSeen, part_look, part_remove


class PartForm(forms.Form):
    """A part that came out."""

    tag = forms.CharField(label="Tag tied to it", help_text="Each tag is used once.")
    what = forms.CharField(label="What it is")
    at_place = forms.ChoiceField(label="Where it came from", required=False)
    repair = forms.ChoiceField(label="Taken out in which repair", required=False)

    def __init__(self, call: FaultCall, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.repairs = {one.public_id: one for one in repair_list(call)}
        listed = [(one.public_id, str(one.get_kind_display())) for one in self.repairs.values()]
        self.fields["at_place"] = forms.ChoiceField(
            label="Where it came from", required=False, choices=place_choices(call.path)
        )
        self.fields["repair"] = forms.ChoiceField(
            label="Taken out in which repair", required=False, choices=[*listed, ("", "none")]
        )


class LookForm(forms.Form):
    """What opening and testing it showed."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    cause = forms.ChoiceField(label="Why it failed", choices=Cause.choices)
    cause_note = forms.CharField(label="What was seen", required=False)
    bench_result = forms.ChoiceField(label="On the bench", choices=BenchResult.choices)
    bench_note = forms.CharField(label="How it was tested", required=False)


@require_http_methods(["GET", "HEAD", "POST"])
@page
def call_part(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Write down a part that was taken out."""
    refuse_readers(actor)
    call = call_get(public_id)
    form = PartForm(call, request.POST if request.method == "POST" else None)
    context = {"call": call, "place": call.property, "form": form}
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                return redirect("part", _removed(call, form, actor).public_id)
            except Problem as problem:
                problem_onto_form(form, problem)
                status = int(problem.status)
    return render(request, "faults/part_form.html", context, status=status)


def _removed(call: FaultCall, form: PartForm, actor: Actor) -> RemovedPart:
    said = form.cleaned_data
    there = removed_part_list(call).filter(tag=said["tag"], what=said["what"]).first()
    if there is not None:
        return there
    return part_remove(
        call=call,
        details=PartDetails(said["tag"], said["what"], place_of(said["at_place"])),
        repair=form.repairs.get(said["repair"]),
        by=actor,
    )


@require_http_methods(["GET", "HEAD", "POST"])
@page
def part_page(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """A part with its photos; what it showed is written here."""
    part = _part(public_id)
    if request.method != "POST":
        return _shown(request, actor, part)
    form = LookForm(request.POST)
    if not form.is_valid():
        return _shown(request, actor, part, look=form, status=422)
    said = form.cleaned_data
    seen = PartSeen(said["cause"], said["cause_note"], said["bench_result"], said["bench_note"])
    if seen != _seen(part):
        try:
            part_look(part=part, seen=seen, version=said["version"], by=actor)
        except Problem as problem:
            problem_onto_form(form, problem)
            return _shown(request, actor, _part(public_id), look=form, status=int(problem.status))
    messages.success(request, "What it showed is kept.")
    return redirect("part", part.public_id)


@require_POST
@page
def part_photo(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Add a photo of a part."""
    part = _part(public_id)
    form, status = photo_taken(request, actor, part)
    if status is None:
        return redirect("part", part.public_id)
    return _shown(request, actor, part, form=form, status=status)


def _part(public_id: str) -> RemovedPart:
    found = removed_part_list().filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no part {public_id}.")
    return found


def _seen(part: RemovedPart) -> PartSeen:
    return PartSeen(part.cause, part.cause_note, part.bench_result, part.bench_note)


def _shown(
    request: HttpRequest, actor: Actor, part: RemovedPart, *, status: int = 200, **more: Any
) -> HttpResponse:
    context = {
        "part": part,
        "call": part.call,
        "place": part.call.property,
        "where": place_words(part.at_place),
        "look": LookForm(initial=asdict(_seen(part))),
        "form": PhotoForm(part),
        "may_change": may_change(actor),
    }
    return render(request, "faults/part.html", context | more, status=status)
