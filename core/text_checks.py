"""Defects of texts and names, each with its JSON pointer."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from core.problems import Defect, Invalid

# Beside control characters those that turn the reading direction of what follows: with them a
# name reads otherwise than it is.
_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u202d\u202e\ud800-\udfff]")
_CONTROL_IN_LINES = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202d\u202e\ud800-\udfff]")


def refuse_defects(what: str, defects: Iterable[Defect]) -> None:
    """Raise Invalid with all defects, if there are any."""
    if found := tuple(defects):
        raise Invalid(f"The {what} does not fit.", defects=found)


def name_defects(pointer: str, text: str, most: int) -> Iterator[Defect]:
    """A name has to show something."""
    if not any(letter.isprintable() and not letter.isspace() for letter in text):
        yield Defect(pointer, "this is blank", f"text of 1 to {most} characters")
    yield from line_defects(pointer, text, most)


def line_defects(pointer: str, text: str, most: int) -> Iterator[Defect]:
    """Text on one line, which may be empty."""
    yield from _text_defects(pointer, text, most, _CONTROL)


def lines_defects(pointer: str, text: str, most: int) -> Iterator[Defect]:
    """Text on several lines, which may be empty."""
    yield from _text_defects(pointer, text, most, _CONTROL_IN_LINES)


def _text_defects(
    pointer: str, text: str, most: int, unwanted: re.Pattern[str]
) -> Iterator[Defect]:
    if len(text) > most:
        yield Defect(pointer, f"this has {len(text)} characters", f"at most {most}")
    if unwanted.search(text):
        yield Defect(pointer, "this holds control characters", "text without them")
