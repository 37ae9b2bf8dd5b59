"""Fields that several forms share: places of a path, days and times of a property,
and the name under which a form is taken once."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.utils import timezone

from core.accounts.actor import Actor
from core.clock import now
from core.pages.access import may_change
from core.problems import NotAllowed
from sites.models.wire_path import WirePath
from sites.network_snapshot import path_network
from sites.pages.words import PathWords

_SPAN = re.compile(r"(\d{1,6})(?:\s*-\s*(\d{1,6}))?")
_MOST_IN_SPAN = 1000


class StationsField(forms.CharField):
    """Station numbers such as ``3, 4, 7-9``; the cleaned value is a tuple of numbers."""

    def clean(self, value: Any) -> tuple[int, ...]:
        """The numbers, each once."""
        text = super().clean(value)
        found: list[int] = []
        for part in (one.strip() for one in text.split(",") if one.strip()):
            match = _SPAN.fullmatch(part) if part.isascii() else None
            first, last = (int(match[1]), int(match[2] or match[1])) if match else (1, 0)
            if not first <= last < first + _MOST_IN_SPAN:
                raise forms.ValidationError(
                    f"“{part}” is no station; right: numbers with commas, such as 3, 4, 7-9"
                )
            found.extend(range(first, last + 1))
        return tuple(dict.fromkeys(found))


class LocalTimeField(forms.DateTimeField):
    """A time by the clock of a property, read and kept with its zone."""

    def __init__(self, zone: ZoneInfo, **options: Any) -> None:
        options["widget"] = forms.DateTimeInput({"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")
        super().__init__(
            input_formats=["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"],
            error_messages={"invalid": "This is no time; right: a day and a time"},
            **options,
        )
        self._zone = zone

    def clean(self, value: Any) -> dt.datetime | None:
        """The time with its zone."""
        # Read as typed: an hour that another zone leaves out is one here.
        with timezone.override(dt.UTC):
            said = super().clean(value)
        return None if said is None else said.replace(tzinfo=self._zone)


SAY = ("", "– say which –")
"""What stands in a choice that nobody made yet: one tap too many writes nothing down."""


class OnceForm(forms.Form):
    """A form that says when its page was made: what the same person stored since then with the
    same content is this form, sent twice."""

    asked_at = forms.CharField(max_length=40, required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, **options: Any) -> None:
        options["initial"] = {"asked_at": now().isoformat()} | options.get("initial", {})
        super().__init__(*args, **options)

    def asked_since(self) -> dt.datetime:
        """When the page of the form was made; now, where that cannot be read."""
        try:
            at = dt.datetime.fromisoformat(self.data.get("asked_at", ""))
        except ValueError:
            return now()
        return at if at.tzinfo is not None else now()


def refuse_readers(actor: Actor) -> None:
    """Raise NotAllowed for those who only read: they are shown no form."""
    if not may_change(actor):
        raise NotAllowed("As an auditor you read these pages.")


def money_of(amount: float | None) -> Decimal | None:
    """An amount that was read, exact to the cent."""
    return None if amount is None else Decimal(f"{amount:.2f}")


def place_choices(path: WirePath | None) -> list[tuple[str, object]]:
    """The places of a path for a field of choices, ``kind:id`` each."""
    return [("", "not told"), ("controller:", "the controller itself"), *_mapped(path)]


def place_of(choice: str) -> dict[str, Any]:
    """The place, in the words of the forms, that was chosen."""
    kind, _, name = choice.partition(":")
    if not kind:
        return {}
    return {"controller": True} if kind == "controller" else {kind: name}


def place_choice(place: dict[str, Any]) -> str:
    """The choice that stands for a place."""
    kind, name = next(iter(place.items()), ("", ""))
    return f"{kind}:{'' if kind == 'controller' else name}" if kind else ""


def _mapped(path: WirePath | None) -> Iterator[tuple[str, list[tuple[str, str]]]]:
    if path is None:
        return
    network = path_network(path)
    words = PathWords(network)
    splices = [one.id for one in network.nodes if one.kind != "controller"]
    named = (
        ("Devices", "device", [one.id for one in network.devices]),
        ("Splices", "splice", splices),
        ("Cable runs", "segment", [one.id for one in network.segments]),
    )
    for group, kind, ids in named:
        if ids:
            yield group, [(f"{kind}:{one}", words.place({kind: one})) for one in ids]
