"""What the legs of a path read when they were sound: the records, and taking new ones."""

from __future__ import annotations

from collections.abc import Iterator

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from core.accounts.actor import Actor
from core.pages.access import may_change, page
from core.pages.numbers import NumberField
from core.pages.problems import problem_onto_rows
from core.problems import Conflict, Invalid, Problem
from faults.models.return_test import SoundRecord, SoundSource
from faults.pages.doubts import AsksReally, leg_doubts
from faults.pages.fields import OnceForm
from faults.selectors.repairs import sound_record_list
from faults.services.sound_records import LegSound, Recorded, sound_record
from faults.tracing.rig_places import legs_of
from sites.models.wire_path import WirePath
from sites.network.errors import NetworkError
from sites.network_snapshot import path_network
from sites.selectors.paths import path_get

MOST_SHOWN = 40
_READ = (
    ("current_ma", "Standing current, mA"),
    ("far_v", "Volts at the far end"),
    ("insulation_mohm", "Insulation, MΩ"),
)
_SOURCES = [(one.value, one.label) for one in (SoundSource.START_UP, SoundSource.INSPECTION)]


class SoundForm(AsksReally, OnceForm):
    """Readings of legs that are sound; a leg with no reading was not read."""

    source = forms.ChoiceField(label="Taken at", choices=_SOURCES)
    coil = forms.BooleanField(label="The series coil was in", required=False)
    wet = forms.ChoiceField(
        label="The ground",
        required=False,
        choices=[("", "not looked at"), ("yes", "wet"), ("no", "dry")],
    )
    meter = forms.CharField(label="Which meter", required=False, max_length=120)

    def __init__(self, legs: list[str], *args: object, **options: object) -> None:
        super().__init__(*args, **options)
        self.legs = legs
        for n, _ in enumerate(legs):
            for name, label in _READ:
                self.fields[f"{name}_{n}"] = NumberField(label=label, required=False)

    def leg_rows(self) -> Iterator[tuple[str, list[forms.BoundField]]]:
        """Each leg with its fields."""
        for n, leg in enumerate(self.legs):
            yield leg, [self[f"{name}_{n}"] for name, _ in _READ]

    def read(self) -> list[tuple[int, LegSound]]:
        """The legs that were read, each with its number."""
        said, found = self.cleaned_data, []
        wet = {"yes": True, "no": False}.get(said["wet"])
        for n, leg in enumerate(self.legs):
            current, far, insulation = (said.get(f"{name}_{n}") for name, _ in _READ)
            if any(value is not None for value in (current, far, insulation)):
                found.append(
                    (
                        n,
                        LegSound(
                            leg=leg,
                            current_ma=current,
                            coil=said["coil"],
                            far_v=far,
                            insulation_mohm=insulation,
                            wet=wet,
                            meter=said["meter"],
                        ),
                    )
                )
        return found

    def tell(self, problem: Problem) -> None:
        """Say a problem at the fields that it is about."""
        numbers = [n for n, _ in self.read()]
        problem_onto_rows(self, problem, lambda row, word: f"{word}_{numbers[row]}")


@require_http_methods(["GET", "HEAD", "POST"])
@page
def path_sound(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """The sound records of a path; those who may change write new ones down."""
    path, status = path_get(public_id), 200
    legs = _legs(path)
    form = SoundForm(legs)
    if request.method == "POST":
        form, status = SoundForm(legs, request.POST), 422
        if form.is_valid() and not form.asks_really(
            leg_doubts(path_network(path), form.cleaned_data)
        ):
            try:
                _taken_once(request, path, form, actor)
            except Problem as problem:
                form.tell(problem)
                status = int(problem.status)
            else:
                return redirect("path-sound", path.public_id)
    context = {
        "path": path,
        "place": path.controller.property,
        "records": list(sound_record_list(path)[:MOST_SHOWN]),
        "form": form,
        "may_change": may_change(actor) and path.ended_at is None,
    }
    return render(request, "faults/sound.html", context, status=status)


def _legs(path: WirePath) -> list[str]:
    try:
        return list(legs_of(path_network(path)))
    except NetworkError as unfit:
        raise Conflict(f"The map cannot be read as a circuit: {unfit}") from unfit


def _taken_once(request: HttpRequest, path: WirePath, form: SoundForm, actor: Actor) -> None:
    legs = [leg for _, leg in form.read()]
    if not legs:
        raise Invalid("Nothing was read: write down what a leg read, or leave the page.")
    if _is_there(path, form, legs, actor):
        return
    source = form.cleaned_data["source"]
    _tell(request, sound_record(path=path, source=source, legs=legs, by=actor))


def _is_there(path: WirePath, form: SoundForm, legs: list[LegSound], actor: Actor) -> bool:
    """Whether the same form was kept before: sent twice it is kept once."""
    since = SoundRecord.objects.filter(path=path, by_name=actor.name, at__gte=form.asked_since())
    told = {(one.leg, one.current_ma, one.far_v, one.insulation_mohm) for one in since}
    return {(one.leg, one.current_ma, one.far_v, one.insulation_mohm) for one in legs} <= told


def _tell(request: HttpRequest, taken: Recorded) -> None:
    messages.success(request, "The readings are kept; the next trace of the path starts from them.")
    for rise in taken.rises:
        messages.warning(request, rise.words)
