"""The contractor's rules for work: how reports fold, looks when wet, what work costs."""

from __future__ import annotations

from dataclasses import fields

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from core.accounts.actor import Actor
from core.pages.access import may_rule, office_page
from core.pages.numbers import NumberField
from core.pages.problems import problem_onto_form
from core.problems import Problem
from faults.models.work import WorkRules
from faults.pages.fields import money_of
from faults.services.work_rules import Rules, work_rules, work_rules_set

NAMES = tuple(field.name for field in fields(Rules))
MONEY = ("hour_money", "renew_metre_money")


class WorkRulesForm(forms.Form):
    """The rules, whole; the service says what is out of range."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    fold_hours = forms.IntegerField(
        label="Reports are one call within (hours)",
        help_text="Where the wire path is not known, reports of the same place and kind are one"
        " call within so many hours; 336 hours are fourteen days. A message that is told"
        " later than this opens no call: leave it longer than messages can be late."
        " On a known path one call is open at a time, however old.",
    )
    soak_from_days = forms.IntegerField(
        label="Look at a repair wet from (days after it)",
        help_text="From this day on it is due once the ground is wet from rain or watering.",
    )
    soak_by_days = forms.IntegerField(
        label="And by then in any case (days after it)",
        help_text="Holds for repairs written down from now on; looks that are due keep their days.",
    )
    repair_min = NumberField(
        label="A usual repair takes (minutes)",
        help_text="Plans of days reckon with it, and the question whether to repair or go on.",
    )
    currency = forms.CharField(
        label="Currency",
        required=False,
        max_length=3,
        widget=forms.TextInput({"autocomplete": "off", "size": 3}),
        help_text="Its code of three letters, such as EUR. Wanted as soon as a price is set.",
    )
    hour_money = NumberField(
        label="An hour of work costs (in that currency)",
        required=False,
        help_text="Left empty it is not known: what a call has spent of a limit in money cannot be"
        " reckoned then, and nothing is asked near that limit.",
    )
    renew_metre_money = NumberField(
        label="A metre of new cable costs (in that currency)",
        required=False,
        help_text="The cable with what goes with it, without the hours. Left empty, or with"
        " no price of an hour, laying anew has minutes and no price.",
    )
    renew_metre_min = NumberField(
        label="Laying a metre anew takes (minutes)",
        help_text="Of one crew, digging included.",
    )

    @classmethod
    def of(cls, rules: WorkRules) -> WorkRulesForm:
        """The form as the rules are now."""
        now = {name: getattr(rules, name) for name in NAMES}
        now |= {name: f"{now[name]:g}" for name in ("repair_min", "renew_metre_min")}
        return cls(initial={"version": rules.version} | now)

    def clean_currency(self) -> str:
        """The code in capitals, however it was typed."""
        code: str = self.cleaned_data["currency"]
        return code.upper()

    def rules(self) -> Rules:
        """What was said."""
        said = {name: self.cleaned_data[name] for name in NAMES}
        return Rules(**said | {name: money_of(said[name]) for name in MONEY})


@require_http_methods(["GET", "HEAD", "POST"])
@office_page
def work_rules_page(request: HttpRequest, actor: Actor) -> HttpResponse:
    """The rules; supervisors and owners set them."""
    rules, status = work_rules(), 200
    form = WorkRulesForm.of(rules)
    if request.method == "POST":
        form, status = WorkRulesForm(request.POST), 422
        if form.is_valid():
            version = form.cleaned_data["version"]
            if rules.version == version + 1 and _are_so(rules, form.rules()):
                return redirect("work-rules")
            try:
                work_rules_set(rules=form.rules(), version=version, by=actor)
            except Problem as problem:
                problem_onto_form(form, problem)
                status = int(problem.status)
            else:
                messages.success(request, "The rules are set.")
                return redirect("work-rules")
    context = {"form": form, "rules": rules, "may_rule": may_rule(actor)}
    return render(request, "faults/work_rules.html", context, status=status)


def _are_so(rules: WorkRules, said: Rules) -> bool:
    """Whether the rules are what was said: a form sent twice."""
    return all(getattr(rules, name) == getattr(said, name) for name in NAMES)
