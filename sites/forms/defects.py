"""What is wrong in a document, where, and what would be right."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, replace

_MOST_CHARACTERS = 60


@dataclass(frozen=True, slots=True, order=True)
class Defect:
    """One defect. ``pointer`` is an RFC 6901 JSON pointer, empty for the whole document."""

    pointer: str
    what: str
    right: str

    def below(self, prefix: str) -> Defect:
        """The same defect in a document that holds this one at ``prefix``."""
        return replace(self, pointer=prefix + self.pointer)


class FormDefects(Exception):
    """A document does not fit its form; ``defects`` has every one of them."""

    def __init__(self, defects: Iterable[Defect]) -> None:
        self.defects: tuple[Defect, ...] = tuple(defects)
        super().__init__("; ".join(f"{d.pointer or '(document)'}: {d.what}" for d in self.defects))


def refuse_if_any(defects: Iterable[Defect]) -> None:
    """Raise FormDefects with the defects in order of their pointers, each once, if any."""
    ordered = sorted(set(defects), key=lambda defect: (_natural(defect.pointer), defect))
    if ordered:
        raise FormDefects(ordered)


def pointer_to(*parts: str | int) -> str:
    """The JSON pointer of a member, its parts from the outside in."""
    return "".join("/" + str(part).replace("~", "~0").replace("/", "~1") for part in parts)


def shown(value: object) -> str:
    """A value as a person may read it on one line, never long, never with control characters."""
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) >= 10**15:
        return "a huge number"
    if isinstance(value, str):
        text = json.dumps(value, ensure_ascii=not value.isprintable())
        return text if len(text) <= _MOST_CHARACTERS else text[: _MOST_CHARACTERS - 2] + '…"'
    return json.dumps(value)


def _natural(pointer: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key in which /nodes/10 comes after /nodes/9."""
    parts = pointer.split("/")
    return tuple(
        (0, int(part), "") if part.isascii() and part.isdigit() and len(part) < 16 else (1, 0, part)
        for part in parts
    )
