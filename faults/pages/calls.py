"""The page of a call: its story, its events and traces, and what may be done with it."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST, require_safe

from core.accounts.actor import Actor
from core.clock import now
from core.pages.access import may_change, may_rule, page
from core.pages.numbers import NumberField
from core.pages.problems import defect_words, problem_onto_form
from core.problems import Problem
from faults.models.call import FaultCall
from faults.pages.call_actions import TRACED_FIRST, call_actions
from faults.pages.leaving import LeavingForm, left_lines, left_on_path
from faults.pages.soak import SoakForm, soak_forms
from faults.pages.story import call_story
from faults.pages.wants import wants_words
from faults.pages.words import TraceWords
from faults.selectors.call_urgency import call_dryness
from faults.selectors.calls import call_get
from faults.selectors.day_plans import visit_of_call, visits_done
from faults.selectors.stop_rule import stop_question
from faults.selectors.traces import finding_list, trace_list
from faults.services.call_moves import Move, call_move, has_proof
from faults.services.calls import call_set_path
from faults.services.traces import trace_start
from faults.services.work_rules import work_rules
from faults.transitions import (
    ENDED,
    LEAVES_THE_PLACE,
    MOVED_BY_TRACE,
    CallOutcome,
    CallState,
    WaitKind,
    legal_moves,
)
from sites.models.wire_path import WirePath
from sites.network_snapshot import path_network
from sites.selectors.paths import path_get, path_list

_METER = ("percent", "counts", "resolution_ma")


class StateField(forms.ChoiceField):
    """A state that a call is moved to by hand. One that is not offered any more, since the page
    was opened, is left to the service, which says why."""

    def valid_value(self, value: object) -> bool:
        """Whether it is a state at all that people move calls to."""
        return value in CallState.values and value not in MOVED_BY_TRACE


class MoveForm(LeavingForm):
    """Where a call shall go, and why."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    to = StateField(label="To")
    why = forms.CharField(
        label="Why", required=False, help_text="Waiting and closing want a reason."
    )
    outcome = forms.ChoiceField(
        label="Outcome, when it is closed",
        required=False,
        choices=[("", "–"), *CallOutcome.choices],
    )
    until = forms.DateField(
        label="Waits until, when it waits",
        required=False,
        widget=forms.DateInput({"type": "date"}),
    )
    wait_kind = forms.ChoiceField(
        label="Waits for, when it waits", required=False, choices=[("", "–"), *WaitKind.choices]
    )
    untested_why = forms.CharField(
        label="Why it is closed without a passed return test, when it is", required=False
    )

    def __init__(self, call: FaultCall, *args: Any, **options: Any) -> None:
        super().__init__(call, *args, **options)
        moves = legal_moves(call.state, proved=has_proof(call))
        # A trace moves its call by itself; beginning one is a button of its own.
        listed = [(to.value, to.label) for to in moves if to not in MOVED_BY_TRACE]
        self.fields["to"] = StateField(label="To", choices=listed)


class StartForm(forms.Form):
    """What is known before a trace starts; all of it may stay empty."""

    coil_r = NumberField(label="Coil, resistance in Ω", required=False)
    coil_x = NumberField(label="Coil, reactance in Ω", required=False)
    percent = NumberField(label="Meter, ± percent", required=False)
    counts = NumberField(label="Meter, ± counts", required=False)
    resolution_ma = NumberField(label="Meter, step in mA", required=False)

    def known(self) -> dict[str, Any]:
        """The members of the trace form that are told."""
        said = self.cleaned_data
        found: dict[str, Any] = {}
        if said["coil_r"] is not None and said["coil_x"] is not None:
            found["series_coil_ohm"] = [said["coil_r"], said["coil_x"]]
        meter = {name: said[name] for name in _METER if said[name] is not None}
        return found | ({"meter": meter} if meter else {})

    def clean(self) -> dict[str, Any]:
        """A coil has both of its figures or none."""
        said: dict[str, Any] = super().clean() or {}
        if (said.get("coil_r") is None) != (said.get("coil_x") is None) and not self.errors:
            self.add_error("coil_x", "Give both figures of the coil, or neither")
        return said


@require_safe
@page
def call_page(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Where a call stands and how it came there."""
    return call_shown(request, actor, call_get(public_id))


@require_POST
@page
def call_move_page(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Move a call by hand."""
    call = call_get(public_id)
    form = MoveForm(call, request.POST)
    if not form.is_valid():
        return call_shown(request, actor, call, move=form, status=422)
    said = form.cleaned_data
    move = Move(
        said["to"],
        said["why"],
        said["outcome"],
        said["until"],
        wait_kind=said["wait_kind"],
        untested_why=said["untested_why"],
        left=form.left() if said["to"] in LEAVES_THE_PLACE else (),
    )
    try:
        call_move(call=call, move=move, version=said["version"], by=actor)
    except Problem as problem:
        form.tell(problem)
        fresh = call_get(public_id)
        return call_shown(request, actor, fresh, move=form, status=int(problem.status))
    return redirect("call", call.public_id)


@require_POST
@page
def call_path_page(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Say which two-wire path a call is about."""
    call = call_get(public_id)
    try:
        path = path_get(request.POST.get("path", ""))
        version = request.POST.get("version", "")
        known = int(version) if version.isascii() and version.isdigit() and len(version) < 10 else 0
        call_set_path(call=call, path=path, version=known, by=actor)
    except Problem as problem:
        return call_shown(
            request, actor, call, status=int(problem.status), refused=problem_words(problem)
        )
    return redirect("call", call.public_id)


@require_POST
@page
def trace_begin(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Begin the trace of a call, or go on with the one that is under way."""
    call = call_get(public_id)
    running = trace_list(call).filter(ended_at__isnull=True).first()
    if running is not None:
        messages.info(request, "A trace of this call is under way; this is it.")
        return redirect("trace", running.public_id)
    form = StartForm(request.POST)
    if not form.is_valid():
        return call_shown(request, actor, call, start=form, status=422)
    try:
        trace = trace_start(call=call, by=actor, known=form.known())
    except Problem as problem:
        problem_onto_form(form, problem)
        return call_shown(request, actor, call, start=form, status=int(problem.status))
    return redirect("trace", trace.public_id)


def problem_words(problem: Problem) -> list[str]:
    """What is wrong, a line each."""
    return [defect_words(one) for one in problem.defects] or [problem.detail]


def call_shown(
    request: HttpRequest,
    actor: Actor,
    call: FaultCall,
    *,
    status: int = 200,
    soak: SoakForm | None = None,
    **more: Any,
) -> HttpResponse:
    """The page of a call, with what a form of it has to say."""
    traces = list(trace_list(call))
    running = next((one for one in traces if one.ended_at is None), None)
    moves = legal_moves(call.state, proved=has_proof(call))
    context = {
        "call": call,
        "place": call.property,
        "story": call_story(call),
        "dry": call_dryness([call])[call.pk],
        "left_lines": left_lines(left_on_path(call)),
        "question": stop_question(call),
        "rates": work_rules(),
        "today": now().astimezone(ZoneInfo(call.property.time_zone)).date(),
        "checks": soak_forms(call, soak),
        "traces": traces,
        "actions": call_actions(call, moves, is_traced=running is not None),
        "running": running,
        "findings": _findings(call),
        "paths": _paths(call) if call.path is None else [],
        "next_visit": visit_of_call(call),
        "done_visit": visits_done([call]).get(call.pk),
        "wants": wants_words(call),
        "may_change": may_change(actor),
        "may_rule": may_rule(actor),
        "may_trace": call.path is not None and CallState.TRACING in {*moves, call.state},
        "traced_first": call.state in TRACED_FIRST,
        "is_ended": call.state in ENDED,
        "move": MoveForm(call, initial={"version": call.version}),
        "start": StartForm(),
    }
    return render(request, "faults/call.html", context | more, status=status)


def _findings(call: FaultCall) -> list[tuple[object, str]]:
    """What stands found, with its place in words."""
    found = list(finding_list(call=call))
    if not found:
        return []
    words = TraceWords(path_network(found[0].trace.path, found[0].trace.revision))
    return [(one, words.on_path.place(one.at)) for one in found]


def _paths(call: FaultCall) -> list[WirePath]:
    return list(path_list().filter(controller__property=call.property))
