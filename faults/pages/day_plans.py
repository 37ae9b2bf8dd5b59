"""Plans of days: asked for, looked at as a line of time with a map, changed by hand, published."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from dataclasses import asdict
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from core.accounts.actor import Actor
from core.accounts.directory import crew_list, crews_of
from core.clock import now
from core.jobs.ask import job_cancel
from core.pages.access import may_rule, office_page, page
from core.pages.problems import problem_onto_form
from core.problems import IllegalMove, Problem
from faults.dispatch.by_hand import HandMove
from faults.models.dispatch import DayPlan, PlanState
from faults.pages.day_names import DayNames, day_names
from faults.pages.day_view import (
    change_lines,
    day_view,
    figure_lines,
    move_lines,
    zone_of,
)
from faults.pages.fields import OnceForm
from faults.selectors.day_plans import card_list, plan_beside, plan_get, plan_list, plans_compared
from faults.selectors.day_problem import PlanOptions
from faults.services.day_plans import MOST_DAYS, plan_ask
from faults.services.plan_publishing import plan_publish
from faults.services.plans_by_hand import (
    hand_move_checked,
    plan_move_by_hand,
    plan_undo_by_hand,
)

MOST_SHOWN = 30
CHEAPEST = "*"
"""Where it costs least, as the form says it; an empty place is the first of the shift."""


DAY_INPUT = forms.DateInput({"type": "date"}, format="%Y-%m-%d")


class AskForm(OnceForm):
    """What to plan."""

    from_day = forms.DateField(label="From which day", widget=DAY_INPUT)
    days = forms.IntegerField(label="How many days", min_value=1, max_value=MOST_DAYS, initial=1)
    crews_off = forms.MultipleChoiceField(
        label="Crews that are not there",
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )
    why = forms.CharField(label="What for, in a few words", required=False, max_length=450)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        crews = crew_list().filter(card__isnull=False).order_by("name")
        choices = [(one.public_id, one.name) for one in crews]
        self.fields["crews_off"].choices = choices  # type: ignore[attr-defined]


class MoveForm(forms.Form):
    """Where a visit shall be."""

    visit = forms.CharField(max_length=80)
    crew = forms.CharField(max_length=60, required=False)
    after = forms.CharField(max_length=80, required=False, empty_value="")

    def move(self) -> HandMove:
        """What was chosen."""
        said = self.cleaned_data
        after = said["after"]
        return HandMove(said["visit"], said["crew"], after=None if after == CHEAPEST else after)


@require_http_methods(["GET", "HEAD", "POST"])
@office_page
def day_plans(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Plans, the newest first; asking for one."""
    form = AskForm(initial={"from_day": timezone.localdate(now()), "days": 1})
    status = 200
    if request.method == "POST":
        form, status = AskForm(request.POST), 422
        if form.is_valid():
            try:
                plan = _asked(form, actor)
            except Problem as problem:
                problem_onto_form(form, problem)
                status = int(problem.status)
            else:
                return redirect("day-plan", plan.public_id)
    plans = list(plan_list()[:MOST_SHOWN])
    context = {
        "plans": plans,
        "held": next((one for one in plans if one.state == PlanState.PUBLISHED), None),
        "cards": card_list(),
        "bare": crew_list().filter(card__isnull=True).order_by("name"),
        "form": form,
        "may_plan": may_rule(actor),
        "in_crew": crews_of(actor.person_id).exists(),
    }
    return render(request, "faults/day_plans.html", context, status=status)


def _asked(form: AskForm, actor: Actor) -> DayPlan:
    said = form.cleaned_data
    same = {name: said[name] for name in ("from_day", "days", "why")}
    sent = plan_list().filter(**same, by_id=actor.public_id, asked_at__gte=form.asked_since())
    off = tuple(said["crews_off"])
    for plan in sent:
        if tuple(plan.options["crews_off"]) == off:
            return plan
    return plan_ask(**same, by=actor, options=PlanOptions(crews_off=off))


@require_safe
@page
def day_plan_page(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """A plan: one of its days drawn, with what was left out, what changed and why."""
    plan = plan_get(public_id)
    context: dict[str, Any] = {"plan": plan, "may_plan": may_rule(actor)}
    if not plan.answer:
        return render(request, "faults/day_plan_waits.html", context)
    cards, names = list(card_list()), day_names([plan])
    zone = zone_of(plan, cards)
    day = _day_asked(request, plan, zone)
    view = day_view(plan, day, cards, names)
    counts = Counter(one.starts_at.astimezone(zone).date() for one in view.part.visits.values())
    move = MoveForm(request.GET) if request.GET.get("visit") else None
    context |= {
        "view": view,
        "day": day,
        "days": [(one, counts[one]) for one in _days(plan)],
        "zone": zone,
        "figures": figure_lines(plan.answer["figures"]),
        "facts": figure_lines([{"name": n, "before": 0, "after": v} for n, v in _facts(plan)]),
        "changes": change_lines(plan.answer["changes"], names, zone),
        "others": [one for one in plan_list()[:MOST_SHOWN] if one.pk != plan.pk and _is_made(one)],
        "is_draft": plan.state == PlanState.DRAFT,
        "by_hand": plan.answer.get("by_hand", {}),
    }
    if move is not None and context["is_draft"] and may_rule(actor):
        context |= _move_context(plan, move, names, zone)
    return render(request, "faults/day_plan.html", context)


def _days(plan: DayPlan) -> list[dt.date]:
    return [plan.from_day + dt.timedelta(days=n) for n in range(plan.days)]


def _facts(plan: DayPlan) -> list[tuple[str, float]]:
    return list(plan.answer["plan"]["figures"].items())


def _is_made(plan: DayPlan) -> bool:
    return plan.state not in (PlanState.ASKED, PlanState.FAILED)


def _day_asked(request: HttpRequest, plan: DayPlan, zone: ZoneInfo) -> dt.date:
    """The day of ``?day=``, else today in its zone where the plan has it, else its first."""
    last = plan.from_day + dt.timedelta(days=plan.days - 1)
    try:
        day = dt.date.fromisoformat(request.GET.get("day", ""))
    except ValueError:
        day = now().astimezone(zone).date()
    return day if plan.from_day <= day <= last else plan.from_day


@require_safe
@page
def day_plan_look(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """What a move would do: the part of the plan's page that a script puts in place."""
    plan = plan_get(public_id)
    cards, names = list(card_list()), day_names([plan])
    zone = zone_of(plan, cards)
    context = {"plan": plan, "day": _day_asked(request, plan, zone), "may_plan": may_rule(actor)}
    context |= _move_context(plan, MoveForm(request.GET), names, zone)
    return render(request, "faults/day_move.html", context)


def _move_context(plan: DayPlan, form: MoveForm, names: DayNames, zone: ZoneInfo) -> dict[str, Any]:
    """The form of a move and what it would do; a refusal is told in words."""
    if not form.is_valid():
        return {"refused": "Choose a visit of this plan."}
    said = form.cleaned_data
    routes = plan.answer.get("plan", {}).get("routes", [])
    here = next((r for r in routes if any(s["visit"] == said["visit"] for s in r["stops"])), None)
    chosen = "crew" in form.data
    crew = said["crew"] if chosen else (here["crew"] if here else "")
    stops = [s["visit"] for r in routes if r["crew"] == crew for s in r["stops"]]
    crews = plan.saw.get("problem", {}).get("crews", [])
    context: dict[str, Any] = {
        "visit": said["visit"],
        "label": names.visit(said["visit"]),
        "crew": crew,
        "after": said["after"] if "after" in form.data else CHEAPEST,
        "crews": [(one["name"], names.crew(one["name"])) for one in crews],
        "places": [(name, names.visit(name)) for name in stops if name != said["visit"]],
        "cheapest": CHEAPEST,
        "chosen": chosen,
    }
    if chosen:
        try:
            moved = hand_move_checked(plan, form.move())
        except Problem as problem:
            context["refused"] = _refusal(problem, names)
        else:
            context["lines"] = move_lines(moved, crew, names, zone)
    return context


def _refusal(problem: Problem, names: DayNames) -> str:
    texts = [one.what for one in problem.defects] or [problem.detail]
    return names.in_words(" ".join(texts))


@require_POST
@office_page
def day_plan_move(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Move a visit of a draft; sent twice it is moved once."""
    plan, form = plan_get(public_id), MoveForm(request.POST)
    if form.is_valid():
        try:
            plan_move_by_hand(
                plan=plan,
                move=form.move(),
                version=_version(request),
                by=actor,
                keep=request.POST.get("keep") == "1",
            )
        except Problem as problem:
            messages.error(request, _refusal(problem, day_names([plan])))
        else:
            messages.success(request, f"{day_names([plan]).visit(form.move().visit)}: moved.")
    return _back_to_day(request, plan)


@require_POST
@office_page
def day_plan_take_back(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Take all moves by hand back."""
    plan = plan_get(public_id)
    if plan.answer.get("by_hand"):
        plan_undo_by_hand(plan=plan, version=_version(request), by=actor)
        messages.success(request, "The plan is again as it was made.")
    return _back_to_day(request, plan)


@require_POST
@office_page
def day_plan_publish(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Let a plan hold; sent twice it is published once."""
    plan = plan_get(public_id)
    if plan.state != PlanState.PUBLISHED:
        plan_publish(plan=plan, version=_version(request), by=actor)
        messages.success(request, "The plan holds: its visits are told to the crews.")
    return _back_to_day(request, plan)


@require_POST
@office_page
def day_plan_cancel(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Call a plan off that is being made."""
    plan = plan_get(public_id)
    try:
        job_cancel(job=plan.job, by=actor)
        messages.success(request, "The plan is called off.")
    except IllegalMove as over:
        messages.error(request, over.detail)
    return redirect("day-plans")


@require_safe
@page
def day_plan_against(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:  # noqa: ARG001
    """Two plans side by side: with ``?to=``, else with the one that this was changed from."""
    after = plan_get(public_id)
    before = plan_beside(after, request.GET.get("to", ""))
    found = plans_compared(before, after)
    zone = zone_of(after, list(card_list()))
    names = day_names([before, after])
    context = {
        "before": before,
        "after": after,
        "alike": found.alike,
        "zone": zone,
        "changes": change_lines([asdict(one) for one in found.others], names, zone),
        "figures": figure_lines([asdict(one) for one in found.figures]),
    }
    return render(request, "faults/day_compare.html", context)


def _version(request: HttpRequest) -> int:
    text = request.POST.get("version", "")
    return int(text) if text.isdecimal() and len(text) < 10 else -1


def _back_to_day(request: HttpRequest, plan: DayPlan) -> HttpResponse:
    day = request.POST.get("day", "")
    to = reverse("day-plan", args=[plan.public_id])
    return redirect(f"{to}?day={day}" if len(day) == 10 else to)
