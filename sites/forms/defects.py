"""What is wrong in a document, where, and what would be right."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import islice

MOST_DEFECTS = 1_000
"""Defects of one document that are told: whoever mends so many looks again anyway."""

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
    """A document does not fit its form; ``defects`` has every one of them.

    Of more than ``MOST_DEFECTS`` it has the first, and a last one that says so.
    """

    def __init__(self, defects: Iterable[Defect]) -> None:
        self.defects: tuple[Defect, ...] = tuple(defects)
        super().__init__("; ".join(f"{d.pointer or '(document)'}: {d.what}" for d in self.defects))


def refuse_if_any(defects: Iterable[Defect]) -> None:
    """Raise FormDefects with the defects in order of their pointers, each once, if any.

    Of more than ``MOST_DEFECTS`` the first are told, and that there are more.
    """
    ordered = sorted(set(defects), key=lambda defect: (_natural(defect.pointer), defect))
    if ordered:
        raise FormDefects(told_of(ordered))


def first_of(defects: Iterable[Defect]) -> list[Defect]:
    """No more of the defects than it takes to see that there are more than ``MOST_DEFECTS``.

    What comes after is not looked for: a small file can hold hundreds of thousands.
    """
    return list(islice(defects, MOST_DEFECTS + 1))


def told_of(defects: Sequence[Defect]) -> list[Defect]:
    """The defects as they are told: all, or the first ``MOST_DEFECTS`` and a last one saying so."""
    told = list(defects[:MOST_DEFECTS])
    if len(defects) > MOST_DEFECTS:
        words = f"there are {counted(len(defects))}"
        told.append(Defect("", words, "mend these, then look again"))
    return told


def counted(count: int) -> str:
    """How many defects there are, in words; ``count`` may include the one that says "more"."""
    if count > MOST_DEFECTS:
        return f"more than {MOST_DEFECTS:,} defects; the first {MOST_DEFECTS:,} are told"
    return "one defect" if count == 1 else f"{count} defects"


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
