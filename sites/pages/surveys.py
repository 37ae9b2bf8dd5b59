"""Taking a survey in on a page: looked at first, with all its defects or what it would change."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django import forms
from django.contrib import messages
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from core.accounts.actor import Actor
from core.counting import count_in_window
from core.pages.access import may_rule, office_page
from core.problems import Conflict, Problem, TooManyRequests
from sites.map_diff import RowCodes
from sites.models.controller import Controller
from sites.models.wire_path import WirePath
from sites.selectors.paths import path_get
from sites.selectors.properties import controller_get
from sites.services.path_imports import path_import, path_reimport
from sites.services.path_revisions import MapResult

MOST_BYTES = 20_000_000
MOST_CARRIED = 1_000_000
"""Up to here the page that tells what a survey would change carries it; a larger one is chosen
again, for a phone holds no page of 20 MB."""
MOST_TOLD = 100
MOST_CODES = 12
MOST_A_MINUTE = 30
_WINDOW_S = 60

_ROWS = (("nodes", "Splice points and boxes"), ("segments", "Cable runs"), ("devices", "Devices"))
_DONE = (("added", "new"), ("changed", "changed"), ("ended", "gone"), ("moved", "in another order"))
_HEADER = {
    "label": "the label",
    "frequency_hz": "the frequency",
    "source_v": "the source’s volts",
    "source_ohm": "the source’s impedance",
    "trip": "where the controller trips",
    "topology": "tree or loops",
    "conductor_temp_c": "the conductors’ temperature",
    "earth_reference": "the earth reference",
    "capacitance": "the cable’s capacitance",
    "anchor": "where it lies on the globe",
    "limits": "limits of the design",
    "min_device_v": "limits of the design",
    "max_current_ma": "limits of the design",
}


class SurveyForm(forms.Form):
    """A survey as a file, or carried along from the look at it before."""

    content = forms.FileField(
        label="Survey",
        required=False,
        help_text="A file of the form clampline-survey/1 (JSON), up to 20 MB.",
        widget=forms.FileInput({"accept": "application/json,.json"}),
    )
    carried = forms.CharField(required=False, strip=False, widget=forms.HiddenInput)
    revision = forms.IntegerField(widget=forms.HiddenInput, min_value=0)
    label = forms.CharField(
        label="Label", required=False, max_length=200, help_text="In place of the survey’s own."
    )

    def __init__(self, *args: Any, is_first: bool, **options: Any) -> None:
        super().__init__(*args, **options)
        if not is_first:
            del self.fields["label"]

    def clean_content(self) -> UploadedFile[Any] | None:
        """The file, where it is not too large."""
        content: UploadedFile[Any] | None = self.cleaned_data["content"]
        if content is not None and (content.size or 0) > MOST_BYTES:
            said = f"The file has {content.size} bytes; right: at most {MOST_BYTES}, 20 MB"
            raise forms.ValidationError(said)
        return content

    def clean(self) -> dict[str, object]:
        """One of both is there; a file that was chosen goes before what was carried along."""
        said: dict[str, object] = super().clean() or {}
        if not self.errors and not said.get("content") and not said.get("carried"):
            self.add_error("content", "Choose the file of the survey first")
        return said

    def survey(self) -> bytes:
        """The survey as it came."""
        content: UploadedFile[Any] | None = self.cleaned_data["content"]
        if content is None:
            return str(self.cleaned_data["carried"]).encode()
        content.seek(0)
        return bytes(content.read())


@dataclass(frozen=True)
class _Goal:
    """Where a survey goes: to a controller as a new path, or to a path as its next revision."""

    controller: Controller
    path: WirePath | None = None

    @property
    def has_ended(self) -> bool:
        """Whether nothing is taken in here any more."""
        return (self.path or self.controller).ended_at is not None

    def form(self, *args: Any, **options: Any) -> SurveyForm:
        """A form for it."""
        return SurveyForm(*args, is_first=self.path is None, **options)

    def take(self, form: SurveyForm, by: Actor, *, dry_run: bool) -> MapResult:
        """Take the survey of a form in, or say what that would do."""
        if self.has_ended:
            raise Conflict("It has ended and takes no survey.")
        said, survey = form.cleaned_data, form.survey()
        if self.path is not None:
            base = said["revision"]
            return path_reimport(
                path=self.path, base_revision=base, survey=survey, by=by, dry_run=dry_run
            )
        label = said["label"] or None
        return path_import(
            controller=self.controller, survey=survey, by=by, label=label, dry_run=dry_run
        )


@require_http_methods(["GET", "HEAD", "POST"])
@office_page
def controller_survey(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """A new two-wire path of a controller."""
    return _answered(request, actor, _Goal(controller_get(public_id)))


@require_http_methods(["GET", "HEAD", "POST"])
@office_page
def path_survey(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """The next revision of a path; ``revision`` says which one the page was made on."""
    path = path_get(public_id)
    return _answered(request, actor, _Goal(path.controller, path))


def _answered(request: HttpRequest, actor: Actor, goal: _Goal) -> HttpResponse:
    shown = {"goal": goal, "may_rule": may_rule(actor)}
    if request.method != "POST":
        revision = goal.path.revision if goal.path else 0
        return _shown(request, shown | {"form": goal.form(initial={"revision": revision})})
    form = goal.form(request.POST, request.FILES)
    if not form.is_valid():
        return _shown(request, shown | {"form": form}, 422)
    is_look = request.POST.get("do") != "import"
    try:
        _count(actor)
        result = goal.take(form, actor, dry_run=is_look)
    except Problem as problem:
        return _shown(request, shown | {"form": form} | _told(problem), int(problem.status))
    if is_look or result.path is None:
        return _shown(request, shown | _looked(goal, form, result))
    if result.stored:
        messages.success(request, f"The survey is taken in as revision {result.revision}.")
    else:
        messages.info(request, "The survey says what the map says; nothing was changed.")
    return redirect("path", result.path.public_id)


def _count(actor: Actor) -> None:
    used, left_s = count_in_window(f"surveys:{actor.public_id}", _WINDOW_S)
    if used > MOST_A_MINUTE:
        raise TooManyRequests(
            f"More surveys came in a minute than are read for one person; go on in {left_s} s.",
            headers={"Retry-After": str(left_s)},
        )


def _looked(goal: _Goal, form: SurveyForm, result: MapResult) -> dict[str, object]:
    """What a survey would do, and the form for taking it in."""
    said, survey = form.cleaned_data, form.survey()
    carried = survey.decode() if len(survey) <= MOST_CARRIED else ""
    initial = {"revision": said["revision"], "label": said.get("label", ""), "carried": carried}
    return {
        "form": goal.form(initial=initial),
        "result": result,
        "changes": list(_changes(result, goal.path)),
        "must_choose_again": not carried,
    }


def _told(problem: Problem) -> dict[str, object]:
    return {
        "problem": problem,
        "defects": problem.defects[:MOST_TOLD],
        "more_defects": max(0, len(problem.defects) - MOST_TOLD),
    }


def _shown(request: HttpRequest, shown: dict[str, object], status: int = 200) -> HttpResponse:
    return render(request, "sites/survey.html", shown, status=status)


def _changes(result: MapResult, path: WirePath | None) -> Iterator[str]:
    """What would change, a line each; nothing where the map says the same."""
    for kind, name in _ROWS:
        codes: RowCodes = getattr(result, kind)
        for done, words in _DONE:
            if found := getattr(codes, done):
                yield f"{name}, {words}: {len(found)} ({_listed(found)})"
    if path is not None and result.header:
        parts = dict.fromkeys(_header_words(name) for name in result.header)
        yield f"Of the path itself: {', '.join(parts)}"


def _listed(codes: tuple[str, ...]) -> str:
    more = f" and {len(codes) - MOST_CODES} more" if len(codes) > MOST_CODES else ""
    return ", ".join(codes[:MOST_CODES]) + more


def _header_words(column: str) -> str:
    return next((words for name, words in _HEADER.items() if column.startswith(name)), "its head")
