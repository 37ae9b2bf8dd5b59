"""Trouble stretches with their evidence and lives, and follow-up looks by week."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from core.accounts.actor import Actor
from core.clock import now
from core.pages.access import may_change, may_rule, office_page, page
from core.pages.problems import problem_onto_form
from core.problems import Problem
from faults.left_words import place_words
from faults.models.trouble import FlagState, Inspection, InspectionResult, TroubleFlag
from faults.pages.fields import SAY, refuse_readers
from faults.selectors.trouble import (
    flag_failures,
    flag_get,
    flag_list,
    flag_moves,
    flag_renewal_of,
    inspection_get,
    inspection_list,
    inspections_of,
    run_list,
)
from faults.services.inspection_ends import inspection_done, inspection_skip
from faults.services.inspection_rules import inspection_rules
from faults.services.inspection_weeks import waits_for_season, week_rules
from faults.services.trouble_flags import CLEARED, LEGAL_MOVES, MOST_WHY, WATCHED, flag_move

SKIP = "skip"
MOST_OVER = 20
PEER_WORDS = {"splice": "splices", "segment": "cable runs", "device": "devices"}


class MoveForm(forms.Form):
    """Where a flag shall go, by the button that is pressed, and why."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    to = forms.ChoiceField(choices=[(WATCHED, "Watch it"), (CLEARED, "Clear it")])
    why = forms.CharField(label="Why", max_length=MOST_WHY)


class LookForm(forms.Form):
    """What a look came to."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    result = forms.ChoiceField(
        label="What it showed",
        choices=[SAY, *InspectionResult.choices, (SKIP, "Not done this time")],
    )
    note = forms.CharField(
        label="Note",
        required=False,
        max_length=450,
        help_text="Why, where it was not done this time; what is wrong, where it is a fault: that "
        "opens a call, or joins the one that is open on the path.",
    )


@dataclass(frozen=True)
class FlagView:
    """A flag with its places in words."""

    flag: TroubleFlag
    where: str

    @classmethod
    def of(cls, flag: TroubleFlag) -> FlagView:
        """How the pages show it."""
        return cls(flag, ", ".join(place_words(one) for one in flag.places))


@require_safe
@page
def trouble(request: HttpRequest, actor: Actor) -> HttpResponse:  # noqa: ARG001
    """Flags that stand, the surest first; ``?all=1`` shows cleared ones too."""
    with_cleared = request.GET.get("all") == "1"
    flags = sorted(
        flag_list(with_cleared=with_cleared),
        key=lambda flag: (flag.state == FlagState.CLEARED, flag.evidence["q"], flag.pk),
    )
    context = {
        "rows": [FlagView.of(flag) for flag in flags],
        "with_cleared": with_cleared,
        "run": run_list().first(),
    }
    return render(request, "faults/trouble.html", context)


@require_safe
@page
def flag_page(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """A flag: where, with which evidence, its life and its looks."""
    return _flag_shown(request, actor, flag_get(public_id), MoveForm())


@require_POST
@office_page
def flag_move_page(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Watch or clear a flag, with the reason; sent twice it is done once."""
    flag, form = flag_get(public_id), MoveForm(request.POST)
    status = 422
    if form.is_valid():
        said = form.cleaned_data
        if flag.state == said["to"] and flag.version == said["version"] + 1:
            return redirect("trouble-flag", flag.public_id)
        try:
            moved = flag_move(flag=flag, **said, by=actor)
        except Problem as problem:
            problem_onto_form(form, problem)
            status = int(problem.status)
        else:
            messages.success(request, f"It is {moved.get_state_display().lower()} now.")
            return redirect("trouble-flag", flag.public_id)
    return _flag_shown(request, actor, flag, form, status=status)


def _flag_shown(
    request: HttpRequest, actor: Actor, flag: TroubleFlag, form: MoveForm, *, status: int = 200
) -> HttpResponse:
    facts: dict[str, Any] = flag.evidence
    context = {
        "view": FlagView.of(flag),
        "flag": flag,
        "place": flag.path.controller.property,
        "facts": facts,
        "peers": [
            (words, facts["peers"][kind])
            for kind, words in PEER_WORDS.items()
            if kind in facts.get("peers", {})
        ],
        "renewal": flag_renewal_of(flag),
        "failures": [(one, place_words(one.at)) for one in flag_failures(flag)],
        "moves": list(flag_moves(flag)),
        "looks": list(inspections_of(flag)),
        "form": form,
        "moves_legal": LEGAL_MOVES[FlagState(flag.state)] if may_rule(actor) else (),
    }
    return render(request, "faults/trouble_flag.html", context, status=status)


@require_safe
@page
def inspections(request: HttpRequest, actor: Actor) -> HttpResponse:  # noqa: ARG001
    """Open looks by week; those past their day stand first."""
    looks = list(inspection_list())
    rules = inspection_rules()

    def week(look: Inspection) -> dt.date | None:
        return look.planned_week

    context = {
        "late": [look for look in looks if look.overdue],  # type: ignore[attr-defined]
        "weeks": [(monday, list(own)) for monday, own in groupby(looks, key=week)],
        "rules": rules,
        "count": len(looks),
        "ended": list(_over()[:MOST_OVER]),
        "for_season": _for_season(looks),
    }
    return render(request, "faults/inspections.html", context)


def _for_season(looks: list[Inspection]) -> set[int]:
    """Those that wait until their property waters again: three queries."""
    places = [look.property_id for look in looks]
    return waits_for_season(looks, week_rules(now(), places, inspection_rules()))


def _over() -> QuerySet[Inspection]:
    return inspection_list(only_open=False).exclude(ended_at=None).order_by("-ended_at")


@require_http_methods(["GET", "HEAD", "POST"])
@page
def inspection_page(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """A look; what it came to is written here."""
    look = inspection_get(public_id)
    form = LookForm(request.POST if request.method == "POST" else None)
    status = 200
    if request.method == "POST":
        refuse_readers(actor)
        status = 422
        if form.is_valid():
            try:
                _ended(look, form, actor)
            except Problem as problem:
                problem_onto_form(form, problem)
                status = int(problem.status)
            else:
                messages.success(request, "It is written down.")
                return redirect("inspection", look.public_id)
    context = {
        "look": look,
        "place": look.property,
        "where": ", ".join(place_words(one) for one in _places(look)),
        "for_season": _for_season([look]),
        "form": form,
        "may_change": may_change(actor),
    }
    return render(request, "faults/inspection.html", context, status=status)


def _places(look: Inspection) -> list[dict[str, object]]:
    """Of its flag as it is now, or where to begin on a path without one."""
    places: list[dict[str, object]] = look.flag.places if look.flag else look.places
    return places


def _ended(look: Inspection, form: LookForm, actor: Actor) -> None:
    said = form.cleaned_data
    if said["result"] == SKIP:
        inspection_skip(look=look, why=said["note"], version=said["version"], by=actor)
    else:
        inspection_done(
            look=look,
            result=said["result"],
            note=said["note"],
            version=said["version"],
            by=actor,
        )
