"""Writing down a repair and the parts taken out, with photos of both."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from django import forms
from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from core.accounts.actor import Actor
from core.locking import locked_one
from core.pages.access import may_change, page
from core.pages.numbers import NumberField
from core.pages.problems import problem_onto_form, problem_onto_rows
from core.problems import Problem, TooLarge
from faults.left_words import place_words
from faults.models.call import FaultCall
from faults.models.repair import PhotoMoment, RemovedPart, Repair, RepairKind
from faults.pages.fields import (
    OnceForm,
    money_of,
    place_choice,
    place_choices,
    place_of,
    refuse_readers,
)
from faults.selectors.calls import call_get
from faults.selectors.repairs import photo_get, repair_get, repair_hold
from faults.selectors.traces import finding_list
from faults.services.photos import MOST_BYTES, photo_add, photo_content, photo_digest
from faults.services.repairs import PartUsed, RepairDetails, repair_record
from faults.transitions import CallState

PART_ROWS = 4
PHOTO_POLICY = "default-src 'none'; frame-ancestors 'none'; sandbox"


class RepairForm(OnceForm):
    """What was done, with what, in how long."""

    kind = forms.ChoiceField(label="What was done", choices=RepairKind.choices)
    at_place = forms.ChoiceField(label="Where", required=False)
    minutes = NumberField(label="Minutes of work")
    splices_made = forms.IntegerField(
        label="Splices made", required=False, min_value=0, max_value=1000
    )
    splice_kind = forms.CharField(label="Kind of splice", required=False)
    money = NumberField(label="Money for parts and others’ bills", required=False)
    note = forms.CharField(label="In a few words", required=False)

    def __init__(self, call: FaultCall, *args: Any, **options: Any) -> None:
        proved = finding_list(call=call).filter(proved=True).first()
        start = {"at_place": place_choice(proved.at)} if proved else {}
        super().__init__(*args, initial=start, **options)
        self.fields["at_place"] = forms.ChoiceField(
            label="Where", required=False, choices=place_choices(call.path)
        )
        for n in range(1, PART_ROWS + 1):
            self.fields[f"part_{n}"] = forms.CharField(label="Part that went in", required=False)
            self.fields[f"count_{n}"] = forms.IntegerField(label="How many", required=False)

    def part_rows(self) -> list[tuple[forms.BoundField, forms.BoundField]]:
        """The fields of the parts, pair by pair."""
        return [(self[f"part_{n}"], self[f"count_{n}"]) for n in range(1, PART_ROWS + 1)]

    def _filled(self) -> list[int]:
        said = self.cleaned_data
        rows = range(1, PART_ROWS + 1)
        return [n for n in rows if said[f"part_{n}"] or said[f"count_{n}"] is not None]

    def details(self) -> RepairDetails:
        """The repair as the service takes it."""
        said = self.cleaned_data
        return RepairDetails(
            kind=said["kind"],
            minutes=said["minutes"],
            at_place=place_of(said["at_place"]),
            parts=tuple(
                PartUsed(said[f"part_{n}"], 1 if (many := said[f"count_{n}"]) is None else many)
                for n in self._filled()
            ),
            splice_kind=said["splice_kind"],
            splices_made=said["splices_made"] or 0,
            money=money_of(said["money"]),
            note=said["note"],
        )

    def tell(self, problem: Problem) -> None:
        """Say a problem at the fields that it is about."""
        rows = self._filled()
        problem_onto_rows(
            self,
            problem,
            lambda row, word: f"part_{rows[row]}" if word == "name" else f"count_{rows[row]}",
        )


class PhotoForm(forms.Form):
    """A photo from a phone or a file."""

    content = forms.FileField(
        label="Photo",
        help_text="JPEG, PNG or WebP, up to 8 MiB.",
        widget=forms.FileInput({"accept": "image/jpeg,image/png,image/webp"}),
        error_messages={"required": "Choose a photo first"},
    )
    moment = forms.ChoiceField(label="What it shows")

    def __init__(self, of: Repair | RemovedPart, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        shown = [one for one in PhotoMoment if (one == "repair") == isinstance(of, Repair)]
        listed = [(one.value, one.label) for one in shown]
        self.fields["moment"] = forms.ChoiceField(label="What it shows", choices=listed)


@require_http_methods(["GET", "HEAD", "POST"])
@page
def call_repair(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Write a repair down while the call is *repairing*."""
    refuse_readers(actor)
    call = call_get(public_id)
    form = RepairForm(call, request.POST if request.method == "POST" else None)
    if request.method != "POST":
        return _asked(request, call, form, 200)
    if not form.is_valid():
        return _asked(request, call, form, 422)
    try:
        repair = _recorded_once(call, form, actor)
    except Problem as problem:
        form.tell(problem)
        return _asked(request, call_get(public_id), form, int(problem.status))
    messages.success(request, "The repair is written down. A photo of it can be added here.")
    return redirect("repair", repair.public_id)


def _recorded_once(call: FaultCall, form: RepairForm, actor: Actor) -> Repair:
    details = form.details()
    told = asdict(details) | {"parts": [asdict(part) for part in details.parts]}
    with transaction.atomic():
        locked_one(call)
        since = Repair.objects.filter(call=call, by_id=actor.public_id, at__gte=form.asked_since())
        for repair in since:
            if all(getattr(repair, name) == value for name, value in told.items()):
                return repair
        return repair_record(call=call, details=details, by=actor)


def _asked(request: HttpRequest, call: FaultCall, form: RepairForm, status: int) -> HttpResponse:
    context = {
        "call": call,
        "place": call.property,
        "form": form,
        "is_time": call.state == CallState.REPAIRING,
    }
    return render(request, "faults/repair_form.html", context, status=status)


@require_safe
@page
def repair_page(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """A repair with its parts and photos."""
    return _repair_shown(request, actor, repair_get(public_id))


@require_POST
@page
def repair_photo(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Add a photo of a repair."""
    repair = repair_get(public_id)
    form, status = photo_taken(request, actor, repair)
    if status is None:
        return redirect("repair", repair.public_id)
    return _repair_shown(request, actor, repair, form, status)


def _repair_shown(
    request: HttpRequest,
    actor: Actor,
    repair: Repair,
    form: PhotoForm | None = None,
    status: int = 200,
) -> HttpResponse:
    context = {
        "repair": repair,
        "call": repair.call,
        "place": repair.call.property,
        "where": place_words(repair.at_place),
        "hold": repair_hold(repair),
        "form": form or PhotoForm(repair),
        "may_change": may_change(actor),
    }
    return render(request, "faults/repair.html", context, status=status)


def photo_taken(
    request: HttpRequest, actor: Actor, of: Repair | RemovedPart
) -> tuple[PhotoForm, int | None]:
    """Take the posted photo; the status is None where it is kept. The same picture of the same
    thing is kept once."""
    form = PhotoForm(of, request.POST, request.FILES)
    if not form.is_valid():
        return form, 422
    file = form.cleaned_data["content"]
    try:
        if file.size > MOST_BYTES:
            raise TooLarge(f"The photo has {file.size} bytes; send at most {MOST_BYTES}.")
        content = file.read()
        digest = photo_digest(content)
        if any(one.sha256 == digest for one in of.photos.all()):
            messages.info(request, "This photo is kept already.")
            return form, None
        photo_add(of=of, moment=form.cleaned_data["moment"], content=content, by=actor)
    except Problem as problem:
        problem_onto_form(form, problem)
        return form, int(problem.status)
    messages.success(request, "The photo is kept.")
    return form, None


@require_safe
@page
def photo_file(request: HttpRequest, _actor: Actor, public_id: str) -> HttpResponse:  # noqa: ARG001
    """The bytes of a photo, for pages to show: a picture by its bytes, which may do nothing even
    where a browser takes it for a document."""
    photo = photo_get(public_id)
    answer = HttpResponse(photo_content(photo), content_type=photo.media_type)
    answer.headers["Content-Disposition"] = "inline"
    answer.headers["X-Content-Type-Options"] = "nosniff"
    answer.headers["Content-Security-Policy"] = PHOTO_POLICY
    return answer
