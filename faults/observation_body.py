"""The body of an observation: read from what a client sent, and named by its digest."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from typing import Any

from core.problems import Defect, Invalid, TooLarge
from faults.forms.observation import read_observation
from faults.tracing.observations import Observation
from sites.forms.defects import Defect as FormDefect
from sites.forms.defects import FormDefects, pointer_to, refuse_if_any
from sites.forms.load import load_document

Document = dict[str, Any]

MOST_CHARACTERS = 100_000
"""An observation is some hundred characters; the largest sets of readings stay below this."""


def body_read(body: object) -> tuple[Document, Observation]:
    """The plain document and the observation that a client sent, as JSON text or as its object.

    Raises Invalid with every defect of it, TooLarge where it is far too long.
    """
    try:
        text = body if isinstance(body, str | bytes) else json.dumps(body)
        if len(text) > MOST_CHARACTERS:
            raise TooLarge(f"An observation has at most {MOST_CHARACTERS} characters.")
        # Also an object goes through the text, so that it may hold what JSON may, and no more.
        document = load_document(text)
        refuse_if_any(_unkept(document))
        return document, read_observation(document)
    except FormDefects as form:
        raise Invalid(
            "The observation does not fit.",
            defects=[Defect(one.pointer, one.what, one.right) for one in form.defects],
        ) from form
    except (TypeError, ValueError, RecursionError) as unfit:
        defect = Defect("", "this is not JSON", "one JSON object: { … }")
        raise Invalid("The observation does not fit.", defects=[defect]) from unfit


def _unkept(value: object, pointer: str = "") -> Iterator[FormDefect]:
    """Text with a null character, which PostgreSQL does not keep."""
    if isinstance(value, dict):
        for name, member in value.items():
            yield from _unkept(member, pointer + pointer_to(name))
    elif isinstance(value, list):
        for place, member in enumerate(value):
            yield from _unkept(member, pointer + pointer_to(place))
    elif isinstance(value, str) and "\0" in value:
        yield FormDefect(pointer, "this holds a null character", "text without it")


def digest(document: object) -> str:
    """A digest that is the same for documents that say the same: whatever the order of members,
    and 147.0 as 147."""
    text = json.dumps(
        _plain(document), sort_keys=True, separators=(",", ":"), ensure_ascii=False, default=str
    )
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def _plain(value: object) -> object:
    if isinstance(value, dict):
        return {name: _plain(member) for name, member in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(member) for member in value]
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return value
