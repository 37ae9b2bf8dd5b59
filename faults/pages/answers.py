"""What people answer to a step: forms, and the observation documents they make."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from django import forms
from django.http import QueryDict
from ulid import ULID

from core.pages.numbers import RIGHT, NotANumberError, number_read
from core.problems import Defect, Invalid
from faults.models.trace import Trace
from faults.pages.doubts import AsksReally
from faults.selectors.traces import observation_list

Document = dict[str, Any]
Posted = Mapping[str, Any]
"""What a form posts: texts by the names of its fields."""

WITH_CURRENT = frozenset({"reference", "clamp", "path_off", "alone"})
WITH_MESSAGE = frozenset({"message", "run_station"})
MOST_TAGS = 12

_ASKED = ("on", "joints", "legs_on", "fitted", "node", "wire", "conductor", "at", "station")
_WHOLE = re.compile(r"\d{1,4}")


class AnswerForm(AsksReally):
    """The reading beside what was asked; ``asked`` says to what this is the answer."""

    client_id = forms.CharField(max_length=80, widget=forms.HiddenInput)
    client_seq = forms.IntegerField(widget=forms.HiddenInput)
    asked = forms.CharField(max_length=4000, widget=forms.HiddenInput)
    current_ma = forms.CharField(label="Reading in mA", required=False, max_length=20)
    cables_seen = forms.CharField(
        label="Cables and leads counted there", required=False, max_length=6
    )
    seen_as = forms.CharField(label="What the wire looks like", required=False, max_length=200)

    def __init__(self, data: QueryDict | None = None, **options: Any) -> None:
        super().__init__(data, **options)
        plain = {"inputmode": "decimal", "autocomplete": "off"}
        self.fields["current_ma"].widget.attrs |= plain | {"class": "reading"}
        self.fields["cables_seen"].widget.attrs |= {**plain, "inputmode": "numeric"}
        for at in range(1, MOST_TAGS + 1):
            field = forms.CharField(label=f"Tag {at}, mA", required=False, max_length=20)
            field.widget.attrs |= plain
            self.fields[f"tag_{at}"] = field

    def tag_fields(self) -> list[forms.BoundField]:
        """The fields of tagged wires, in order."""
        return [self[f"tag_{at}"] for at in range(1, MOST_TAGS + 1)]


def blank_answer(trace: Trace, step: Document) -> AnswerForm:
    """An empty form for the answer to a step, under a name that no other answer has."""
    return AnswerForm(initial=names_of_next(trace) | {"asked": json.dumps(asked_of(step))})


def names_of_next(trace: Trace) -> dict[str, object]:
    """The client id and number of the next observation from a page."""
    last = observation_list(trace).values_list("client_seq", flat=True).last()
    return {"client_id": f"page-{str(ULID()).lower()}", "client_seq": (last or 0) + 1}


def asked_of(step: Document) -> Document:
    """The part of a step that its answer repeats."""
    return {"do": step["do"]} | {name: step[name] for name in _ASKED if name in step}


def posted_asked(data: Posted) -> Document:
    """What the posted form says it answers. Raises Invalid where that cannot be read."""
    try:
        asked = json.loads(data.get("asked", ""))
    except ValueError:
        asked = None
    if not isinstance(asked, dict) or not isinstance(asked.get("do"), str):
        raise Invalid("The page sent something that cannot be read; load it again.")
    return {name: asked[name] for name in ("do", *_ASKED) if name in asked}


def answer_body(asked: Document, data: Posted) -> Document:
    """The observation that a posted form tells.

    Raises Invalid with the form's fields as pointers.
    """
    do = asked["do"]
    if "none_here" in data:
        return {"do": "cannot", "node": asked.get("node"), "why": "there is no such wire"}
    if do in WITH_MESSAGE:
        return asked | {"shown": data.get("shown") == "yes"}
    if do in ("open_joints", "close_joints"):
        return {"do": do, "done": asked.get("joints", [])}
    if do == "clamp_set":
        return asked | {"readings": _readings(data)} | _optional(data, ("cables_seen",))
    if do not in WITH_CURRENT:
        return asked
    body = asked | {"current_ma": _number(data, "current_ma")}
    names = ("cables_seen", "seen_as") if asked.get("wire", "") is None else ("cables_seen",)
    return body | (_optional(data, names) if do == "clamp" else {})


def _readings(data: Posted) -> list[Document]:
    names = [f"tag_{at}" for at in range(1, MOST_TAGS + 1)]
    filled = [name for name in names if data.get(name, "").strip()]
    if not filled:
        raise _unfit("tag_1", "no wire was read", "the reading of every tagged wire")
    return [
        {"tag": name.removeprefix("tag_"), "current_ma": _number(data, name)} for name in filled
    ]


def _optional(data: Posted, names: tuple[str, ...]) -> Document:
    found: Document = {}
    for name in names:
        text = data.get(name, "").strip()
        if not text:
            continue
        if name == "cables_seen":
            if not (text.isascii() and _WHOLE.fullmatch(text)):
                raise _unfit(name, f"“{text}” is no count", "a whole number, or nothing")
            found[name] = int(text)
        else:
            found[name] = text
    return found


def _number(data: Posted, name: str) -> float:
    """A number as it is read off a meter."""
    text = data.get(name, "").strip()
    if not text:
        raise _unfit(name, "the reading is missing", RIGHT)
    try:
        return number_read(text)
    except NotANumberError as unread:
        raise _unfit(name, unread.what, unread.right) from unread


def _unfit(name: str, what: str, right: str) -> Invalid:
    return Invalid("The answer does not fit.", defects=[Defect(f"/{name}", what, right)])
