"""Giving a call to somebody, letting it wait, and waking it: from the board or from the call."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST, require_safe

from core.accounts.actor import Actor
from core.accounts.directory import crew_get, crew_list, person_get, person_list
from core.models.accounts import Crew, Person
from core.pages.access import may_change, page
from core.problems import Problem
from faults.models.call import FaultCall
from faults.pages.leaving import LeavingForm
from faults.selectors.calls import call_get
from faults.services.call_moves import Move, call_move
from faults.services.calls import call_assign
from faults.services.waiting import state_before_waiting
from faults.transitions import LEGAL_MOVES, CallState, WaitKind

DAY = forms.DateInput({"type": "date"}, format="%Y-%m-%d")


class AssignForm(LeavingForm):
    """Who has a call."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    to = forms.ChoiceField(label="Who has it", required=False)

    def __init__(self, call: FaultCall, *args: Any, **options: Any) -> None:
        options.setdefault("initial", {"to": holder_of(call)})
        super().__init__(call, *args, **options)
        self.fields["to"] = forms.ChoiceField(
            label="Who has it", required=False, choices=holder_choices()
        )


class WaitForm(LeavingForm):
    """What a call waits for, and until when."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    wait_kind = forms.ChoiceField(label="It waits for", choices=WaitKind.choices)
    until = forms.DateField(
        label="Until which day",
        widget=DAY,
        help_text="It wakes by itself on that day.",
        error_messages={
            "required": "A call waits until a day; right: the day to look at it again",
            "invalid": "This is no day; right: a day of the calendar",
        },
    )
    why = forms.CharField(
        label="In a few words",
        error_messages={"required": "Waiting wants a reason; right: say why in a few words"},
    )


class WakeForm(LeavingForm):
    """That a call waits no longer."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    why = forms.CharField(label="What changed", required=False)


def holder_of(call: FaultCall) -> str:
    """Who has a call, as the forms name it."""
    if call.crew is not None:
        return f"crew:{call.crew.public_id}"
    return f"person:{call.person.public_id}" if call.person is not None else ""


def holder_choices() -> list[tuple[str, object]]:
    """Everybody who can have a call: two queries."""
    crews = [(f"crew:{one.public_id}", one.name) for one in crew_list().order_by("name")]
    people = [
        (f"person:{one.public_id}", one.name)
        for one in person_list(is_active=True).order_by("name")
    ]
    return [("", "nobody yet"), ("Crews", crews), ("People", people)]


@require_safe
@page
def hand_on(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """All that a supervisor does with one call, without its story."""
    return _shown(request, actor, call_get(public_id))


@require_POST
@page
def call_assign_page(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Give a call to a crew or a person, or to nobody."""
    call = call_get(public_id)
    form = AssignForm(call, request.POST)
    if not form.is_valid():
        return _shown(request, actor, call, assign=form, status=422)
    to = form.cleaned_data["to"]
    if to != holder_of(call):
        try:
            call_assign(call=call, to=_party(to), version=form.cleaned_data["version"], by=actor)
        except Problem as problem:
            return _refused(request, actor, call, "assign", form, problem)
    messages.success(request, f"{_name(call)}: {_given(to)}.")
    return back(request, call)


@require_POST
@page
def call_wait_page(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Let a call wait for something until a day."""
    call = call_get(public_id)
    form = WaitForm(call, request.POST)
    if not form.is_valid():
        return _shown(request, actor, call, wait=form, status=422)
    said = form.cleaned_data
    waits = (call.state, call.wait_kind, call.waits_until, call.wait_reason)
    if waits != (CallState.WAITING, said["wait_kind"], said["until"], said["why"]):
        move = Move(
            CallState.WAITING,
            said["why"],
            until=said["until"],
            wait_kind=said["wait_kind"],
            left=form.left(),
        )
        try:
            call_move(call=call, move=move, version=said["version"], by=actor)
        except Problem as problem:
            return _refused(request, actor, call, "wait", form, problem)
    messages.success(request, f"{_name(call)} waits until {said['until']:%-d %b %Y}.")
    return back(request, call)


@require_POST
@page
def call_wake_page(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Wake a call: it goes on where it was before it waited."""
    call = call_get(public_id)
    form = WakeForm(call, request.POST)
    if not form.is_valid():
        return _shown(request, actor, call, wake=form, status=422)
    if call.state == CallState.WAITING:
        said = form.cleaned_data
        move = Move(state_before_waiting(call), said["why"], left=form.left())
        try:
            call_move(call=call, move=move, version=said["version"], by=actor)
        except Problem as problem:
            return _refused(request, actor, call, "wake", form, problem)
    messages.success(request, f"{_name(call)} waits no longer.")
    return back(request, call)


def back(request: HttpRequest, call: FaultCall) -> HttpResponse:
    """Where the form was opened: the board or the call."""
    if request.POST.get("back") == "board":
        return redirect("board")
    return redirect("call", call.public_id)


def _party(to: str) -> Crew | Person | None:
    kind, _, public_id = to.partition(":")
    if kind == "crew":
        return crew_get(public_id)
    return person_get(public_id) if kind == "person" else None


def _given(to: str) -> str:
    party = _party(to)
    return f"{party.name} has it" if party else "nobody has it"


def _name(call: FaultCall) -> str:
    return f"{call.property.name}, {call.path.label}" if call.path else call.property.name


def _refused(
    request: HttpRequest,
    actor: Actor,
    call: FaultCall,
    name: str,
    form: LeavingForm,
    problem: Problem,
) -> HttpResponse:
    form.tell(problem)
    fresh = call_get(call.public_id)
    return _shown(request, actor, fresh, status=int(problem.status), **{name: form})


def _shown(
    request: HttpRequest, actor: Actor, call: FaultCall, *, status: int = 200, **more: Any
) -> HttpResponse:
    context = {
        "call": call,
        "place": call.property,
        "may_change": may_change(actor),
        "may_wait": CallState.WAITING in LEGAL_MOVES[CallState(call.state)],
        "back": request.POST.get("back", request.GET.get("from", "")),
        "assign": AssignForm(call, auto_id="assign_%s"),
        "wait": WaitForm(call, auto_id="wait_%s"),
        "wake": WakeForm(call, auto_id="wake_%s"),
    }
    return render(request, "faults/hand_on.html", context | more, status=status)
