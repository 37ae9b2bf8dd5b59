"""The page of a trace: one thing to do now, and what its answers make of it."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.gzip import gzip_page
from django.views.decorators.http import require_POST, require_safe

from core.accounts.actor import Actor
from core.clock import now
from core.pages.access import may_change, page
from core.pages.drawing_limit import drawing_count, drawing_count_size
from core.pages.problems import defect_words, problem_onto_form
from core.problems import Invalid, Problem
from faults.models.trace import Trace
from faults.pages.answers import AnswerForm, answer_body, asked_of, posted_asked
from faults.pages.doubts import answer_doubts
from faults.pages.drawing import readings_ma, step_marks
from faults.pages.trace_view import trace_context
from faults.selectors.traces import trace_get
from faults.services.observations import (
    LATE,
    ObservationResult,
    Voiding,
    observation_add,
    observation_void,
)
from faults.services.traces import trace_end
from faults.trace_snapshot import snapshot_now
from sites.pages.drawing import path_drawing, svg_answer

Document = dict[str, Any]


@require_safe
@page
def trace_page(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Where a trace stands."""
    return _shown(request, actor, trace_get(public_id))


@require_POST
@page
def trace_answer(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Take the answer to a step in; what does not fit is said at its field."""
    trace = trace_get(public_id)
    form = AnswerForm(request.POST)
    try:
        body = answer_body(posted_asked(request.POST), request.POST)
        form.is_valid()
        if form.asks_really(answer_doubts(trace, body)):
            return _shown(request, actor, trace, form=form, status=422)
        taken = _add(trace, actor, request, body)
    except Problem as problem:
        form.is_valid()
        problem_onto_form(form, problem)
        return _shown(request, actor, trace, form=form, status=int(problem.status))
    return _go_on(request, trace, taken, is_asked=_puts_back(body))


@require_POST
@page
def trace_cannot(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Say that nothing can be done at a place, and why."""
    trace = trace_get(public_id)
    why = request.POST.get("why", "").strip()
    body: Document = {"do": "cannot", "node": request.POST.get("node", "")}
    try:
        taken = _add(trace, actor, request, body | ({"why": why} if why else {}))
    except Problem as problem:
        return _refused(request, actor, trace, problem)
    return _go_on(request, trace, taken)


@require_POST
@page
def trace_withdraw(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Take an earlier answer back."""
    trace = trace_get(public_id)
    target = request.POST.get("target", "")
    voiding = Voiding(target, request.POST.get("why", "").strip() or "taken back on the page")
    try:
        client_id, client_seq = _names(request)
        taken = observation_void(
            trace=trace,
            by=actor,
            client_id=client_id,
            voiding=voiding,
            client_seq=client_seq,
            client_at=now(),
        )
    except Problem as problem:
        return _refused(request, actor, trace, problem)
    messages.success(request, "The answer was taken back. It stays in the story, struck out.")
    return _go_on(request, trace, taken, is_asked=True)


@require_POST
@page
def trace_finish(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """End a trace before it is done."""
    trace = trace_get(public_id)
    why = request.POST.get("why", "").strip()
    version = request.POST.get("version", "")
    try:
        if not (version.isascii() and version.isdigit() and len(version) < 10):
            raise Invalid("The page sent something that cannot be read; load it again.")
        trace_end(trace=trace, why=why, version=int(version), by=actor)
    except Problem as problem:
        return _refused(request, actor, trace, problem, ending_why=why)
    return redirect(_address(trace))


@gzip_page
@require_safe
@page
def trace_picture(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """The path with this trace's readings; ``?around=`` a node for what lies near it."""
    drawing_count(actor)
    trace = trace_get(public_id)
    session = snapshot_now(trace).fold.session
    network = session.problem.path
    drawing_count_size(actor, len(network.nodes))
    svg = path_drawing(
        network,
        currents_ma=readings_ma(network, session.told),
        marks=step_marks(network, session.told),
        around=request.GET.get("around", "")[:64],
    )
    return svg_answer(svg)


def _shown(
    request: HttpRequest,
    actor: Actor,
    trace: Trace,
    *,
    status: int = 200,
    form: AnswerForm | None = None,
    **more: Any,
) -> HttpResponse:
    context = (
        trace_context(trace, request.GET.get("near", "")) | {"may_change": may_change(actor)} | more
    )
    if form is not None:
        context["form"] = form
        context["answers_other"] = _other_question(context, form)
    return render(request, "faults/trace.html", context, status=status)


def _other_question(context: Document, form: AnswerForm) -> str:
    """What a refused answer was to, where the trace has gone on since."""
    try:
        asked = posted_asked(form.data)
        if not context["is_done"] and asked == asked_of(context["step"]):
            return ""
        return str(context["words"].task(asked))
    except (Problem, KeyError, TypeError, AttributeError):
        return "something else"


def _refused(
    request: HttpRequest, actor: Actor, trace: Trace, problem: Problem, **more: Any
) -> HttpResponse:
    words = [defect_words(one) for one in problem.defects] or [problem.detail]
    return _shown(request, actor, trace, status=int(problem.status), refused=words, **more)


def _names(request: HttpRequest) -> tuple[str, int]:
    number = request.POST.get("client_seq", "")
    if not (number.isascii() and number.isdigit() and len(number) < 8):
        raise Invalid("The page sent something that cannot be read; load it again.")
    return request.POST.get("client_id", ""), int(number)


def _add(trace: Trace, actor: Actor, request: HttpRequest, body: Document) -> ObservationResult:
    client_id, client_seq = _names(request)
    return observation_add(
        trace=trace,
        by=actor,
        client_id=client_id,
        body=body,
        client_seq=client_seq,
        client_at=now(),
    )


def _go_on(
    request: HttpRequest, trace: Trace, taken: ObservationResult, *, is_asked: bool = False
) -> HttpResponse:
    """Back to the trace, with what has to be told. ``is_asked``: the page of a trace that is over
    asks for it, so it is not late."""
    for warning in taken.warnings:
        if not (is_asked and warning == LATE):
            messages.warning(request, warning)
    return redirect(_address(trace))


def _puts_back(body: Document) -> bool:
    """Whether an act leaves the path more as it was built than it was."""
    do = body["do"]
    gone = not body.get("on", True) or not body.get("fitted", True)
    return gone or do in ("restore", "close_joints")


def _address(trace: Trace) -> str:
    return reverse("trace", args=[trace.public_id])
