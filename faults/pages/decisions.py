"""The stop rule's limit and question, and soak checks, from the page of a call."""

from __future__ import annotations

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from core.accounts.actor import Actor
from core.pages.access import office_page, page
from core.pages.numbers import NumberField
from core.problems import Invalid, NotFound, Problem
from faults.models.call import FaultCall
from faults.models.repair import SoakState
from faults.models.work import ApprovalLimit, StopChoice
from faults.pages.calls import call_shown, problem_words
from faults.pages.doubts import leg_doubts
from faults.pages.fields import money_of
from faults.pages.soak import SoakForm
from faults.selectors.calls import call_get
from faults.selectors.repairs import soak_check_list
from faults.selectors.stop_rule import stop_answers, stop_question
from faults.selectors.traces import trace_list
from faults.services.soak_checks import soak_check_done
from faults.services.stop_rule import limit_set, stop_answer
from sites.network_snapshot import path_network


class LimitForm(forms.Form):
    """Up to how much a call may cost."""

    minutes = NumberField(label="Minutes", required=False)
    money = NumberField(label="Money", required=False)


@require_POST
@office_page
def call_limit(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Approve a call up to so many minutes or so much money."""
    call = call_get(public_id)
    form = LimitForm(request.POST)
    if not form.is_valid():
        words = [f"{name}: {one}" for name, all_ in form.errors.items() for one in all_]
        return call_shown(request, actor, call, status=422, refused=words, limit=request.POST)
    minutes, money = form.cleaned_data["minutes"], money_of(form.cleaned_data["money"])
    last = ApprovalLimit.objects.filter(call=call).order_by("-pk").first()
    if last is None or (last.minutes, last.money) != (minutes, money):
        try:
            limit_set(call=call, minutes=minutes, money=money, why=_why(request), by=actor)
        except Invalid as problem:
            words = problem_words(problem)
            return call_shown(request, actor, call, status=422, refused=words, limit=request.POST)
    return redirect("call", call.public_id)


@require_POST
@page
def call_stop(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Answer whether to repair, go on or renew."""
    call = call_get(public_id)
    choice = request.POST.get("choice", "")
    if not _is_sent_twice(call, choice, _why(request)):
        try:
            stop_answer(call=call, choice=choice, why=_why(request), by=actor)
        except Invalid as problem:
            words = problem_words(problem)
            return call_shown(request, actor, call, status=422, refused=words, stop=request.POST)
        messages.success(request, f"Decided: {StopChoice(choice).label.lower()}.")
    trace = trace_list(call).filter(public_id=request.POST.get("trace", "")).first()
    return redirect("call", call.public_id) if trace is None else redirect("trace", trace.public_id)


@require_POST
@page
def call_soak(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Say what a soak check of a call came to."""
    call = call_get(public_id)
    checks = soak_check_list(only_open=False).filter(repair__call=call)
    check = checks.filter(public_id=request.POST.get("check", "")).first()
    if check is None:
        raise NotFound("There is no such soak check on this call.")
    if check.state != SoakState.OPEN:
        return redirect("call", call.public_id)
    form = SoakForm(check, request.POST)
    path = check.repair.call.path
    doubts = leg_doubts(path_network(path), form.cleaned_data) if form.is_valid() and path else []
    if not form.is_valid() or form.asks_really(doubts):
        return call_shown(request, actor, call, status=422, soak=form)
    said = form.cleaned_data
    try:
        done = soak_check_done(
            check=check,
            state=said["state"],
            note=said["note"],
            readings=form.readings(),
            version=check.version,
            by=actor,
        )
    except Problem as problem:
        form.tell(problem)
        status = int(problem.status)
        return call_shown(request, actor, call_get(public_id), status=status, soak=form)
    messages.success(request, "What the soak check came to is written down.")
    if done.outside:
        messages.warning(request, f"Outside of what it should be: {'; '.join(done.outside)}.")
    return redirect("call", call.public_id)


def _is_sent_twice(call: FaultCall, choice: str, why: str) -> bool:
    """Whether this was answered last and counts; said again when it is asked again, it is new."""
    last, question = stop_answers(call).last(), stop_question(call)
    if last is None or question is None or question.asks:
        return False
    return last.limit == question.limit and (last.choice, last.why) == (choice, why)


def _why(request: HttpRequest) -> str:
    return request.POST.get("why", "").strip()
