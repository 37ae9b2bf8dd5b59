"""A crew's day, on the phone and on paper: where, when, what to bring; and what became of it."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST, require_safe

from core.accounts.actor import Actor
from core.accounts.directory import crew_get
from core.clock import now
from core.models.accounts import Crew
from core.pages.access import may_change, page
from core.problems import Problem
from faults.left_words import place_words
from faults.models.dispatch import DayPlan, PlannedVisit, PlanState, VisitState
from faults.selectors.crew_days import DayVisit, day_visits
from faults.selectors.day_plans import crew_card, plan_get, plan_held, visit_get, visit_list
from faults.services.visits import LEGAL_VISITS, visit_lock, visit_move
from faults.tracing.cautions import CODES_FIRST, DIG, LOOK_IN, MAINS, NO_THUNDER, TRAFFIC, WATER

CAUTIONS = (NO_THUNDER, TRAFFIC, LOOK_IN, WATER, DIG, MAINS, CODES_FIRST)
MOST_NAMED = 3


class VisitForm(forms.Form):
    """What became of a visit."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    to = forms.CharField(max_length=20)
    why = forms.CharField(required=False, max_length=450)
    lacked = forms.CharField(required=False, max_length=1000)

    def lacking(self) -> list[str]:
        """What was not aboard, thing by thing."""
        text: str = self.cleaned_data["lacked"]
        return [one.strip() for one in text.split(",") if one.strip()]


@require_safe
@page
def my_day(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Today's visits of the crew of who asks, by the plan that holds."""
    plan = plan_held()
    crew = Crew.objects.filter(members__pk=actor.person_id or 0).order_by("name", "pk").first()
    if plan is None or crew is None:
        context = {"plan": plan, "crew": crew}
        return render(request, "faults/crew_day_none.html", context)
    return redirect("crew-day", plan.public_id, crew.public_id)


@require_safe
@page
def crew_day(request: HttpRequest, actor: Actor, public_id: str, crew_id: str) -> HttpResponse:
    """What a crew does on one day of a plan, to read and to print."""
    plan, crew = plan_get(public_id), crew_get(crew_id)
    card = crew_card(crew)
    zone = ZoneInfo(card.time_zone) if card is not None else ZoneInfo("UTC")
    visits = list(visit_list(plan=plan, crew=crew))
    days = sorted({one.starts_at.astimezone(zone).date() for one in visits})
    day = _day(request.GET.get("day", ""), days, zone)
    own = [one for one in visits if one.starts_at.astimezone(zone).date() == day]
    context = {
        "plan": plan,
        "crew": crew,
        "card": card,
        "zone": zone,
        "day": day,
        "days": days,
        "lines": [_line(one, number) for number, one in enumerate(day_visits(own), 1)],
        "holds": plan.state == PlanState.PUBLISHED,
        "may_change": may_change(actor),
        "cautions": CAUTIONS,
        "printed_at": now(),
    }
    return render(request, "faults/crew_day.html", context)


def _day(asked: str, days: list[dt.date], zone: ZoneInfo) -> dt.date:
    """The day asked for, else today where there are visits, else the next day with some."""
    today = now().astimezone(zone).date()
    try:
        return dt.date.fromisoformat(asked)
    except ValueError:
        later = [one for one in days if one >= today]
        return later[0] if later else (days[-1] if days else today)


def _line(one: DayVisit, number: int) -> dict[str, object]:
    suspects = [
        (place_words(row["at"]), round(100 * row["chance"])) for row in one.suspects[:MOST_NAMED]
    ]
    legal = LEGAL_VISITS[VisitState(one.visit.state)]
    return {"at": one, "number": number, "suspects": suspects, "legal": legal}


@require_POST
@page
def visit_said(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Start, finish or miss a visit, with what lacked; sent twice it is done once."""
    visit, form = visit_get(public_id), VisitForm(request.POST)
    if form.is_valid():
        said = form.cleaned_data
        if visit.state != said["to"]:
            try:
                visit_move(
                    visit=visit,
                    to=said["to"],
                    version=said["version"],
                    by=actor,
                    why=said["why"],
                    lacked=form.lacking(),
                )
            except Problem as problem:
                texts = [f"{one.what}." for one in problem.defects] or [problem.detail]
                messages.error(request, " ".join(texts))
    return _back(visit.plan, visit)


@require_POST
@page
def visit_kept(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Keep a visit's crew and time in later plans, or no longer."""
    visit = visit_get(public_id)
    locked = request.POST.get("locked") == "1"
    version = request.POST.get("version", "")
    if visit.is_locked != locked:
        number = int(version) if version.isdecimal() and len(version) < 10 else -1
        visit_lock(visit=visit, locked=locked, version=number, by=actor)
    return _back(visit.plan, visit)


def _back(plan: DayPlan, visit: PlannedVisit) -> HttpResponse:
    return redirect("crew-day", plan.public_id, visit.crew.public_id)
