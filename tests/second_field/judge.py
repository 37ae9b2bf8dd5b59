"""Whether a verdict names the true place, and whether it proved a wrong one."""

from __future__ import annotations

from typing import Any

from tests.second_field.places import Document, place_of

WRONG_ENDINGS = ("controller", "not-present")


def is_located(verdict: Document, truth: Document) -> bool:
    """The first suspect at the end is the true place; a segment without its fraction."""
    found: list[Document] = verdict.get("found", [])
    return bool(found) and place_of(found[0]["at"]) == place_of(truth)


def is_proved(verdict: Document, truth: Document) -> bool:
    """Ended *proved*, and the true place is among what was proved."""
    return verdict["outcome"] == "proved" and place_of(truth) in _proved_places(verdict)


def is_wrongly_proved(verdict: Document, truth: Document) -> bool:
    """Any place proved that is not the fault, or an ending that denies a fault on the path.

    A splice is wrong where the truth hangs unmapped at it.
    """
    wrong = any(place != place_of(truth) for place in _proved_places(verdict))
    on_the_path = place_of(truth)[0] not in ("controller", "none")
    return wrong or (on_the_path and verdict["outcome"] in WRONG_ENDINGS)


def _proved_places(verdict: Document) -> list[Any]:
    found: list[Document] = verdict.get("found", [])
    return [place_of(suspect["at"]) for suspect in found if suspect.get("proved", False)]
