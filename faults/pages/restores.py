"""Partial restore on a page: what to leave off, what it costs, and that it is done or undone."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from core.accounts.actor import Actor
from core.pages.access import page
from core.problems import Conflict, Problem
from faults.forms.place import read_place
from faults.models.call import FaultCall
from faults.pages.fields import ReadingField, StationsField, place_choices, place_of, refuse_readers
from faults.pages.leaving import LeavingForm
from faults.pages.restore_ways import RestoreWay, restore_ways
from faults.selectors.calls import call_get
from faults.selectors.traces import finding_list, trace_list
from faults.services.partial_restores import (
    RestoreDone,
    partial_restore_done,
    partial_restore_undone,
)
from sites.network.faults import Place
from sites.network_snapshot import path_network

MOST_SUSPECTS = 3
_ON_PATH = ("device", "splice", "segment")


class RestoreForm(LeavingForm):
    """Which way was gone, and what it came to."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    way = forms.CharField(max_length=200, error_messages={"required": "Say which part is left off"})
    least_device_v = ReadingField(
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
    place = request.GET.get("place", "")
    ways = restore_ways(path_network(call.path), _places(call, place))
    form = RestoreForm(call, request.POST if request.method == "POST" else None)
    if request.method != "POST":
        return _shown(request, call, ways, form, 200)
    way = next((one for one in ways if one.choice == form.data.get("way")), None)
    if form.is_valid() and way is None:
        form.add_error("way", "This part is not among those proposed; choose one of them")
    if not form.is_valid() or way is None:
        return _shown(request, call, ways, form, 422)
    done = _done(form, way)
    if _is_done(call, done):
        return redirect("call", call.public_id)
    try:
        partial_restore_done(call=call, done=done, version=form.cleaned_data["version"], by=actor)
    except Problem as problem:
        form.tell(problem)
        return _shown(request, call_get(public_id), ways, form, int(problem.status))
    messages.success(request, "The call is marked partly restored.")
    return redirect("call", call.public_id)


@require_POST
@page
def call_restore_undo(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Nothing is left off any more."""
    call = call_get(public_id)
    if call.partly_restored:
        version = request.POST.get("version", "")
        known = int(version) if version.isascii() and version.isdigit() else 0
        note = request.POST.get("note", "")
        partial_restore_undone(call=call, version=known, note=note, by=actor)
        messages.success(request, "All is back on. Say of what was left off that it is restored.")
    return redirect("call-left", call.public_id)


def _places(call: FaultCall, asked: str) -> list[Place]:
    """The place asked for; else what is proved; else what a trace suspects."""
    if asked:
        return [Place(kind, name) for kind, name in [_parted(asked)] if kind in _ON_PATH]
    documents: list[dict[str, Any]] = [one.at for one in finding_list(call=call)]
    if not documents:
        trace = trace_list(call).first()
        suspects = trace.standing.get("suspects", []) if trace is not None else []
        documents = [one["at"] for one in suspects[:MOST_SUSPECTS]]
    return [one for one in map(read_place, documents) if one.kind in _ON_PATH]


def _parted(asked: str) -> tuple[Any, str]:
    kind, name = next(iter(place_of(asked).items()), ("", ""))
    return kind, str(name)


def _done(form: RestoreForm, way: RestoreWay) -> RestoreDone:
    said = form.cleaned_data
    read = said["least_device_v"]
    predicted = None if way.least_device_v is None else round(way.least_device_v, 2)
    return RestoreDone(
        left_off=(way.left_off,),
        stations_lost=said["stations_lost"] or way.stations_lost,
        least_device_v=predicted if read is None else read,
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
    request: HttpRequest, call: FaultCall, ways: list[RestoreWay], form: RestoreForm, status: int
) -> HttpResponse:
    context = {
        "call": call,
        "place": call.property,
        "ways": ways,
        "form": form,
        "asked": request.GET.get("place", ""),
        "places": place_choices(call.path)[2:],
        "chosen": form.data.get("way") or (ways[0].choice if ways else ""),
    }
    return render(request, "faults/restore.html", context, status=status)
