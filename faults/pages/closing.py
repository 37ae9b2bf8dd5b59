"""Leaving and closing: each thing left on the path, and the return test."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from core.accounts.actor import Actor
from core.pages.access import may_change, page
from core.pages.problems import problem_onto_form
from core.problems import Problem
from faults.left_things import LeftThing
from faults.models.as_left import LeftKind
from faults.models.call import FaultCall
from faults.pages.fields import SAY, refuse_readers
from faults.pages.leaving import LeavingForm, left_lines, left_on_path
from faults.selectors.calls import call_get
from faults.selectors.repairs import return_test_list
from faults.services.as_left import as_left_add, as_left_answer
from faults.services.call_moves import Move, call_move
from faults.services.closing import why_test_does_not_stand
from faults.transitions import CallOutcome, CallState
from sites.selectors.paths import map_codes

_ADDED = (LeftKind.LID_UP, LeftKind.TAG, LeftKind.LEG_OFF, LeftKind.OTHER)
_ADDED_TOO = (LeftKind.POWER_OFF, LeftKind.POWER_ON, LeftKind.COIL_IN)


class CloseForm(LeavingForm):
    """How a call ended."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    outcome = forms.ChoiceField(label="Outcome", choices=[SAY, *CallOutcome.choices])
    why = forms.CharField(
        label="What it came to, in a few words",
        error_messages={"required": "Closing wants a reason; right: say why in a few words"},
    )
    untested_why = forms.CharField(
        label="Why it is closed without a passed return test",
        required=False,
        help_text="Wanted where the outcome is that it was repaired.",
    )


class LeftAddForm(forms.Form):
    """Something left that no trace says."""

    kind = forms.ChoiceField(
        label="What is left",
        choices=[(one.value, one.label) for one in (*_ADDED, *_ADDED_TOO)],
    )
    name = forms.CharField(
        label="Where, by the map’s names",
        required=False,
        help_text="A box such as B7; for a tag B7:3; for a leg its cable run; else a few words. "
        "Nothing for the power and the coil.",
    )
    note = forms.CharField(label="Anything to mind", required=False)


@require_http_methods(["GET", "HEAD", "POST"])
@page
def call_close(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Close a call; each thing left is asked for, and the return test or why there is none."""
    refuse_readers(actor)
    call = call_get(public_id)
    if request.method != "POST":
        return _close_shown(request, call, CloseForm(call, closing=True), 200)
    form = CloseForm(call, request.POST, closing=True)
    if not form.is_valid():
        return _close_shown(request, call, form, 422)
    said = form.cleaned_data
    is_done = (call.state, call.outcome, call.outcome_reason) == (
        CallState.CLOSED,
        said["outcome"],
        said["why"],
    )
    if not is_done:
        move = Move(
            CallState.CLOSED,
            said["why"],
            said["outcome"],
            untested_why=said["untested_why"],
            left=form.left(),
        )
        try:
            call_move(call=call, move=move, version=said["version"], by=actor)
        except Problem as problem:
            form.tell(problem)
            return _close_shown(request, call_get(public_id), form, int(problem.status))
    messages.success(request, "The call is closed.")
    return redirect("call", call.public_id)


def _close_shown(
    request: HttpRequest, call: FaultCall, form: CloseForm, status: int
) -> HttpResponse:
    test = return_test_list(call).first()
    context = {
        "call": call,
        "place": call.property,
        "form": form,
        "test": test,
        "against": why_test_does_not_stand(call, test),
    }
    return render(request, "faults/close.html", context, status=status)


@require_http_methods(["GET", "HEAD", "POST"])
@page
def call_left(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """What is left on the path of a call, and saying what becomes of it."""
    call = call_get(public_id)
    if request.method != "POST":
        return _left_shown(request, actor, call)
    form = LeavingForm(call, request.POST, closing=True)
    if not form.is_valid():
        return _left_shown(request, actor, call, form=form, status=422)
    if not form.left():
        form.add_error(
            None, "Nothing is said yet; right: say of one thing or more what becomes of it"
        )
        return _left_shown(request, actor, call, form=form, status=422)
    try:
        as_left_answer(call=call, answers=form.left(), by=actor)
    except Problem as problem:
        form.tell(problem)
        return _left_shown(request, actor, call, form=form, status=int(problem.status))
    messages.success(request, "What was said of the things left is kept.")
    return redirect("call-left", call.public_id)


@require_POST
@page
def call_left_add(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Something more is left."""
    call = call_get(public_id)
    add = LeftAddForm(request.POST)
    if not add.is_valid():
        return _left_shown(request, actor, call, add=add, status=422)
    said = add.cleaned_data
    try:
        thing = LeftThing(LeftKind(said["kind"]), said["name"])
        item = as_left_add(call=call, thing=thing, note=said["note"], by=actor)
    except Problem as problem:
        problem_onto_form(add, problem)
        return _left_shown(request, actor, call, add=add, status=int(problem.status))
    name = thing.where.get("node") or thing.where.get("segment", "")
    if name and name not in map_codes(item.path_id):
        # Kept all the same: what is left may hang at a place that nobody has mapped yet.
        told = f"“{name}” is not on the map. It is kept as written; is it another box or cable run?"
        messages.warning(request, told)
    return redirect("call-left", call.public_id)


def _left_shown(
    request: HttpRequest, actor: Actor, call: FaultCall, *, status: int = 200, **more: Any
) -> HttpResponse:
    context = {
        "call": call,
        "place": call.property,
        "left_lines": left_lines(left_on_path(call)),
        "form": LeavingForm(call, closing=True),
        "add": LeftAddForm(auto_id="add_%s"),
        "may_change": may_change(actor),
    }
    return render(request, "faults/left.html", context | more, status=status)
