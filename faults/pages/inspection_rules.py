"""The contractor's rules for looks: how many a week, from which chance on, days without work."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from typing import Any

from django import forms
from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from core.accounts.actor import Actor
from core.clock import now
from core.pages.access import may_rule, office_page
from core.pages.days import SpansField, days_of_spans, span_lines, spans_of_days
from core.pages.numbers import NumberField
from core.pages.problems import problem_onto_form
from core.problems import Problem
from faults.models.trouble import InspectionRules
from faults.selectors.trouble import inspection_list
from faults.services.inspection_rules import (
    LEAST_CHANCE,
    MOST_A_WEEK,
    MOST_CHANCE,
    LookRules,
    inspection_rules,
    inspection_rules_set,
)
from faults.services.inspection_weeks import monday_of, week_rules
from sites.selectors.properties import controller_list

WEEKS_SHOWN = 8
AT_ONCE = 50


class PercentField(NumberField):
    """A chance in percent, None where it stays empty; cleaned to a share."""

    def clean(self, value: Any) -> float | None:
        """The share."""
        percent = super().clean(value)
        if percent is None:
            return None
        low, high = 100.0 * LEAST_CHANCE, 100.0 * MOST_CHANCE
        if not low <= percent <= high:
            wrong = f"{percent:g} % is out of range; right: {low:g} to {high:g}"
            raise forms.ValidationError(wrong)
        return round(percent / 100.0, 6)


class RulesForm(forms.Form):
    """The rules, whole."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    weekly_capacity = forms.IntegerField(
        label="Looks a week",
        min_value=1,
        max_value=MOST_A_WEEK,
        help_text="At most so many are planned for a week of five days, fewer where days are off.",
    )
    look_at_chance = PercentField(
        label="Flagged stretches: look at a chance of (%)",
        help_text="A stretch with a flag is due when the chance of a failure since the last one, or"
        " since it was last looked at, comes to this.",
    )
    path_look_at_chance = PercentField(
        label="Other paths: look at a chance of (%)",
        required=False,
        help_text="Paths without a flag are due when the chance of a failure anywhere on them comes"
        " to this. Left empty, they are not looked at.",
    )
    holidays = SpansField(
        label="Days without work",
        help_text="One a line: 2026-12-24, or 2026-12-24 to 2027-01-01.",
    )

    @classmethod
    def of(cls, rules: InspectionRules) -> RulesForm:
        """The form as the rules are now."""
        chance = rules.path_look_at_chance
        days = [dt.date.fromisoformat(day) for day in rules.holidays]
        return cls(
            initial={
                "version": rules.version,
                "weekly_capacity": rules.weekly_capacity,
                "look_at_chance": f"{100 * rules.look_at_chance:g}",
                "path_look_at_chance": "" if chance is None else f"{100 * chance:g}",
                "holidays": span_lines(spans_of_days(days)),
            }
        )

    def rules(self) -> LookRules:
        """What was said."""
        said = self.cleaned_data
        return LookRules(
            weekly_capacity=said["weekly_capacity"],
            look_at_chance=said["look_at_chance"],
            path_look_at_chance=said["path_look_at_chance"],
            holidays=days_of_spans(said["holidays"]),
        )


@require_http_methods(["GET", "HEAD", "POST"])
@office_page
def inspection_rules_page(request: HttpRequest, actor: Actor) -> HttpResponse:
    """The rules with what the coming weeks hold; supervisors and owners set them."""
    rules, status = inspection_rules(), 200
    form = RulesForm.of(rules)
    if request.method == "POST":
        form, status = RulesForm(request.POST), 422
        if form.is_valid():
            version = form.cleaned_data["version"]
            if rules.version == version + 1 and _is_so(rules, form.rules()):
                return redirect("inspection-rules")
            try:
                inspection_rules_set(rules=form.rules(), version=version, by=actor)
            except Problem as problem:
                problem_onto_form(form, problem)
                status = int(problem.status)
            else:
                messages.success(request, "The rules are set, and open looks planned by them.")
                return redirect("inspection-rules")
    controllers = Paginator(controller_list().order_by("property__name", "name", "pk"), AT_ONCE)
    context = {
        "form": form,
        "rules": rules,
        "may_rule": may_rule(actor),
        "weeks": _weeks(rules),
        "days_off": list(spans_of_days(dt.date.fromisoformat(day) for day in rules.holidays)),
        "shown": controllers.get_page(request.GET.get("page")),
    }
    return render(request, "faults/inspection_rules.html", context, status=status)


def _is_so(rules: InspectionRules, said: LookRules) -> bool:
    """Whether the rules are what was said: a form sent twice."""
    return (
        rules.weekly_capacity == said.weekly_capacity
        and rules.look_at_chance == said.look_at_chance
        and rules.path_look_at_chance == said.path_look_at_chance
        and rules.holidays == [day.isoformat() for day in said.holidays]
    )


def _weeks(rules: InspectionRules) -> list[tuple[dt.date, int, int]]:
    """The coming weeks with their Mondays, the looks that fit and those that are planned."""
    found = week_rules(now(), [], rules)
    planned = Counter(inspection_list().values_list("planned_week", flat=True))
    return [
        (monday_of(week), found.capacity(week), planned[monday_of(week)])
        for week in range(found.first_week, found.first_week + WEEKS_SHOWN)
    ]
