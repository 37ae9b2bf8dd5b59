"""The days on which a controller waters."""

from __future__ import annotations

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from core.accounts.actor import Actor
from core.pages.access import may_rule, office_page
from core.pages.days import SpansField, span_lines
from core.pages.problems import problem_onto_form
from core.problems import Problem
from sites.models.controller import Controller
from sites.selectors.properties import controller_get, season_list
from sites.services.controllers import SeasonDays, season_set


class SeasonsForm(forms.Form):
    """All seasons of a controller."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    seasons = SpansField(
        label="Seasons",
        notes=True,
        help_text="One a line: 2026-03-01 to 2026-10-31. More may be said after a comma. Left"
        " empty, it waters all year.",
    )

    @classmethod
    def of(cls, controller: Controller) -> SeasonsForm:
        """The form as the seasons are now."""
        told = [(one.starts_on, one.ends_on, one.note) for one in season_list(controller)]
        return cls(initial={"version": controller.version, "seasons": span_lines(told)})

    def days(self) -> list[SeasonDays]:
        """What was said."""
        return [SeasonDays(*span) for span in self.cleaned_data["seasons"]]


@require_http_methods(["GET", "HEAD", "POST"])
@office_page
def controller_seasons(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """When it waters; supervisors and owners say so. Sent twice it is done once."""
    controller, status = controller_get(public_id), 200
    form = SeasonsForm.of(controller)
    if request.method == "POST":
        form, status = SeasonsForm(request.POST), 422
        if form.is_valid():
            version = form.cleaned_data["version"]
            if controller.version == version + 1 and _are_so(controller, form):
                return redirect("controller-seasons", public_id)
            try:
                season_set(controller=controller, version=version, seasons=form.days(), by=actor)
            except Problem as problem:
                problem_onto_form(form, problem)
                status = int(problem.status)
            else:
                messages.success(request, "The seasons are set.")
                return redirect("controller-seasons", public_id)
    context = {
        "controller": controller,
        "place": controller.property,
        "seasons": list(season_list(controller)),
        "form": form,
        "may_rule": may_rule(actor) and controller.ended_at is None,
    }
    return render(request, "sites/seasons.html", context, status=status)


def _are_so(controller: Controller, form: SeasonsForm) -> bool:
    told = [SeasonDays(one.starts_on, one.ends_on, one.note) for one in season_list(controller)]
    return told == sorted(form.days())
