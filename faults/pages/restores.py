"""Partial restore on a page: what to leave off, what it costs, and that it is done or undone."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from core.accounts.actor import Actor
from core.pages.access import page
from core.pages.numbers import NumberField
from core.problems import Conflict, Problem
from faults.forms.place import read_place
from faults.models.call import FaultCall
from faults.pages.fields import StationsField, place_choices, place_of, refuse_readers
from faults.pages.leaving import LeavingForm
from faults.place_checks import place_on_path_defects
from faults.selectors.calls import call_get
from faults.selectors.partial_restores import RestoreProposal, partial_restore_propose
from faults.services.partial_restores import (
    RestoreDone,
    partial_restore_done,
    partial_restore_undone,
)
from sites.pages.words import PathWords

_ON_PATH = ("device", "splice", "segment")


class RestoreForm(LeavingForm):
    """That what was proposed is done, and what it came to."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    least_device_v = NumberField(
        label="Least voltage read at a device that is on",
        required=False,
        help_text="Empty: the predicted figure is kept.",
    )
    stations_lost = StationsField(
        label="Stations without water, where others than listed",
        required=False,
        max_length=2000,
        help_text="Empty: those listed for the part left off.",
    )
    note = forms.CharField(label="In a few words", required=False)


@require_http_methods(["GET", "HEAD", "POST"])
@page
def call_restore(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Propose what to leave off, and take in that it is."""
    refuse_readers(actor)
    call = call_get(public_id)
    if call.path is None:
        raise Conflict("The call names no two-wire path yet: say which one it is about first.")
    form = RestoreForm(call, request.POST if request.method == "POST" else None)
    proposal, why_not = _proposal(call, request.GET.get("place", ""))
    if request.method != "POST":
        return _shown(request, call, proposal, why_not, form, 200)
    if form.is_valid() and proposal is None:
        form.add_error(None, why_not)
    if not form.is_valid() or proposal is None:
        return _shown(request, call, proposal, why_not, form, 422)
    done = _done(form, proposal.done)
    if _is_done(call, done):
        return redirect("call", call.public_id)
    try:
        partial_restore_done(call=call, done=done, version=form.cleaned_data["version"], by=actor)
    except Problem as problem:
        form.tell(problem)
        status = int(problem.status)
        return _shown(request, call_get(public_id), proposal, why_not, form, status)
    messages.success(request, "The call is marked partly restored.")
    return redirect("call", call.public_id)


@require_POST
@page
def call_restore_undo(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Nothing is left off any more."""
    call = call_get(public_id)
    if call.partly_restored:
        version = request.POST.get("version", "")
        known = int(version) if version.isascii() and version.isdigit() and len(version) < 10 else 0
        note = request.POST.get("note", "")
        partial_restore_undone(call=call, version=known, note=note, by=actor)
        messages.success(request, "All is back on. Say of what was left off that it is restored.")
    return redirect("call-left", call.public_id)


def _proposal(call: FaultCall, asked: str) -> tuple[RestoreProposal | None, str]:
    """What to leave off for a place, ``kind:id``, or for what is found; or why nothing can be."""
    document = place_of(asked)
    place = read_place(document) if asked.partition(":")[0] in _ON_PATH else None
    try:
        if asked and (place is None or [*place_on_path_defects("", document, call.path)]):
            raise Conflict("There is no such place on the path: choose one from the list.")
        return partial_restore_propose(call, place), ""
    except Conflict as conflict:
        return None, conflict.detail


def _done(form: RestoreForm, proposed: RestoreDone) -> RestoreDone:
    said = form.cleaned_data
    read, reckoned = said["least_device_v"], proposed.least_device_v
    if read is None and reckoned is not None:
        reckoned = round(reckoned, 2)
    return replace(
        proposed,
        stations_lost=said["stations_lost"] or proposed.stations_lost,
        least_device_v=reckoned if read is None else read,
        is_predicted=read is None,
        note=said["note"],
    )


def _is_done(call: FaultCall, done: RestoreDone) -> bool:
    """Whether the newest restore of a call is this one, sent twice."""
    last = call.partial_restores.order_by("-pk").first()
    return (
        call.partly_restored
        and last is not None
        and last.left_off == list(done.left_off)
        and last.stations_lost == sorted(set(done.stations_lost))
        and last.note == done.note
    )


def _shown(
    request: HttpRequest,
    call: FaultCall,
    proposal: RestoreProposal | None,
    why_not: str,
    form: RestoreForm,
    status: int,
) -> HttpResponse:
    context = {
        "call": call,
        "place": call.property,
        "form": form,
        "why_not": why_not,
        "asked": request.GET.get("place", ""),
        "places": place_choices(call.path)[2:],
        **(_figures(proposal) if proposal else {}),
    }
    return render(request, "faults/restore.html", context, status=status)


def _figures(proposal: RestoreProposal) -> dict[str, Any]:
    proposed, path = proposal.proposed, proposal.path
    words = PathWords(path)
    dry = set(proposed.devices_dry)
    least, wanted = proposal.done.least_device_v, path.limits.min_device_v
    return {
        "proposed": proposed,
        "off": [words.place(place) for place in proposal.done.left_off],
        "unnumbered": [one.id for one in path.devices if one.id in dry and not one.stations],
        "least_device_v": least,
        "is_low": least is not None and wanted is not None and least < wanted,
    }
