"""The audit of repeat failures: what is asked, figures, plots, and the events behind a count."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from core.accounts.actor import Actor
from core.accounts.directory import crew_list
from core.attachment import attachment
from core.clock import now
from core.csv_text import MEDIA_TYPE
from core.pages.access import audit_page
from core.pages.problems import problem_onto_form
from core.problems import Invalid, NotFound
from faults.audit_exports import RAW, audit_csv
from faults.audit_question import RULES, WINDOWS, AuditQuestion, question_of
from faults.pages.audit_view import (
    event_views,
    figure_view,
    plot_views,
    question_words,
)
from faults.selectors.audit import Audited, audit_of, audit_row
from faults.selectors.audit_asked import saved_question_list
from faults.services.audit_reports import export_told
from sites.models.property import Property

RAW_WORDS = {
    "raw-calls": "calls",
    "raw-failures": "proved failures",
    "raw-repairs": "repairs",
    "raw-parts": "removed parts",
    "raw-flags": "what the nights flagged, and on what",
    "raw-ground": "what lay in the ground and when",
    "raw-maps": "maps",
}


_IN_TIME = ("trend", "mean-failures")


class QuestionForm(forms.Form):
    """What an audit is asked."""

    from_day = forms.DateField(label="From", required=False)
    until_day = forms.DateField(label="Until", required=False)
    property = forms.ChoiceField(label="Property", required=False)
    crew = forms.ChoiceField(label="Crew", required=False)
    window_days = forms.ChoiceField(label="Window", required=False)
    same_place = forms.ChoiceField(label="The same place", required=False)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        for name in ("from_day", "until_day"):
            self.fields[name].widget = forms.DateInput({"type": "date"}, format="%Y-%m-%d")
        self._choices("property", [("", "all"), *_names()])
        self._choices("crew", [("", "all"), *((one.public_id, one.name) for one in crew_list())])
        self._choices("window_days", [(f"{days}", f"{days} days") for days in WINDOWS])
        self._choices("same_place", [(word, rule.words) for word, rule in RULES.items()])

    def _choices(self, name: str, choices: list[tuple[str, str]]) -> None:
        """What can be chosen, and besides what was asked: a window may be any."""
        asked = str(self.data.get(name, ""))
        if name == "window_days" and asked and asked not in dict(choices):
            choices = [*choices, (asked[:20], f"{asked[:20]} days")]
        field = self.fields[name]
        assert isinstance(field, forms.ChoiceField)  # noqa: S101 - as declared above
        field.choices = choices


def _names() -> list[tuple[str, str]]:
    return list(Property.objects.order_by("name", "pk").values_list("public_id", "name"))


@require_safe
@audit_page
def audit(request: HttpRequest, _actor: Actor) -> HttpResponse:
    """All figures and plots for what the address asks."""
    asked = {name: request.GET.get(name, "") for name in AuditQuestion().document()}
    defaults = AuditQuestion().query()
    form = QuestionForm({**defaults, **{name: word for name, word in asked.items() if word}})
    context: dict[str, Any] = {"form": form, "saved": _saved(), "is_asked": False}
    status = 200
    if form.is_valid():
        try:
            audited = audit_of(question_of(asked))
        except Invalid as problem:
            problem_onto_form(form, problem)
        else:
            context |= _shown(audited)
    if form.errors:
        status = 422
    return render(request, "faults/audit.html", context, status=status)


def _shown(audited: Audited) -> dict[str, Any]:
    figures = [figure_view(one) for one in audited.found.figures]
    timing = [one for one in figures if one.figure.key in _IN_TIME]
    repeating = [one for one in figures if one.figure.key.startswith(("trouble-", "by-"))]
    return {
        "holding": [one for one in figures if one not in timing and one not in repeating],
        "repeating": repeating,
        "timing": timing,
        "asked_at": now().isoformat(),
        "is_asked": True,
        "asked": question_words(audited),
        "document": audited.question.document(),
        "query": urlencode(audited.question.query()),
        "plots": plot_views(audited),
        "raw": [(name, RAW_WORDS[name]) for name in RAW],
    }


def _saved() -> list[dict[str, Any]]:
    return [
        {"row": row, "query": urlencode(question_of(row.asked).query())}
        for row in saved_question_list()
    ]


@require_safe
@audit_page
def audit_events(request: HttpRequest, _actor: Actor) -> HttpResponse:
    """The events behind one count."""
    audited = audit_of(asked_question(request))
    figure, row = audit_row(audited, request.GET.get("figure", ""), request.GET.get("row", ""))
    column = next((one for one in figure.columns if one.key == request.GET.get("column")), None)
    if column is None:
        raise NotFound(f"The figure {figure.key} has no such column.")
    context = {
        "figure": figure,
        "row": row,
        "column": column,
        "asked": question_words(audited),
        "query": urlencode(audited.question.query()),
        "events": event_views(audited, row.opens.get(column.key, ())),
    }
    return render(request, "faults/audit_events.html", context)


@require_safe
@audit_page
def audit_table(request: HttpRequest, actor: Actor) -> HttpResponse:
    """A figure or the raw rows as CSV."""
    table = request.GET.get("table", "")
    text = audit_csv(audit_of(asked_question(request)).found, table)
    export_told(f"csv {table}", actor)
    return attachment(text, MEDIA_TYPE, f"audit-{table}.csv")


def asked_question(request: HttpRequest) -> AuditQuestion:
    """The question of an address. Raises Invalid."""
    return question_of(request.GET.dict())
