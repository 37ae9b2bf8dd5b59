"""Reading JSON bodies: limited in size and depth, no duplicate members, NaN or half characters."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import IO, Any

from rest_framework.exceptions import ParseError
from rest_framework.parsers import BaseParser

from core.problems import TooLarge

MOST_BYTES = 1_000_000
MOST_SURVEY_BYTES = 20_000_000
MOST_DEPTH = 32
MOST_ITEMS = 100_000
MOST_DIGITS = 4000


class StrictJSONParser(BaseParser):
    """The document of a body."""

    media_type = "application/json"

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,  # noqa: ARG002 - the framework's form
        parser_context: Mapping[str, Any] | None = None,  # noqa: ARG002
    ) -> Any:
        """The document. Raises TooLarge and ParseError."""
        return document_of(limited_bytes(stream, MOST_BYTES))


class SurveyParser(BaseParser):
    """A survey as bytes: the survey form reads it, with limits of its own."""

    media_type = "application/json"

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,  # noqa: ARG002 - the framework's form
        parser_context: Mapping[str, Any] | None = None,  # noqa: ARG002
    ) -> Any:
        """The bytes. Raises TooLarge."""
        return limited_bytes(stream, MOST_SURVEY_BYTES)


def limited_bytes(stream: IO[Any], most_bytes: int) -> bytes:
    """The body as it is. Raises TooLarge."""
    found: bytes = stream.read(most_bytes + 1)
    if len(found) > most_bytes:
        raise TooLarge(f"The body has more than {most_bytes} bytes, the most that is taken here.")
    return found


def document_of(body: bytes) -> Any:
    """The document that JSON text holds. Raises ParseError that says what is wrong."""
    try:
        document = json.loads(
            body.decode("utf-8"),
            object_pairs_hook=_object,
            parse_constant=_constant,
            parse_float=_float,
            parse_int=_int,
        )
    except UnicodeDecodeError as wrong:
        raise ParseError(f"The body is not UTF-8: byte {wrong.start} cannot be read.") from wrong
    except json.JSONDecodeError as wrong:
        where = f"line {wrong.lineno}, column {wrong.colno}"
        raise ParseError(f"The body is not JSON: {wrong.msg} in {where}.") from wrong
    except RecursionError as wrong:
        raise ParseError(f"The body is nested deeper than {MOST_DEPTH} levels.") from wrong
    except ValueError as wrong:
        raise ParseError(f"The body cannot be taken: {wrong}.") from wrong
    _check(document)
    return document


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, value in pairs:
        if name in found:
            raise ValueError(f"the member {name[:40]!r} stands twice in one object")
        found[name] = value
    return found


def _constant(name: str) -> float:
    raise ValueError(f"{name} is no number of JSON")


def _float(text: str) -> float:
    found = float(text)
    if not math.isfinite(found):
        raise ValueError(f"{text[:40]} is larger than any number taken here")
    return found


def _int(text: str) -> int:
    if len(text) > MOST_DIGITS:
        raise ValueError(f"{text[:40]}… is larger than any number taken here")
    return int(text)


def _check(document: Any) -> None:
    """Depth, size and texts, level by level: no recursion that a body could exhaust."""
    level, depth, items = [document], 0, 0
    while level:
        depth += 1
        items += len(level)
        if depth > MOST_DEPTH:
            raise ParseError(f"The body is nested deeper than {MOST_DEPTH} levels.")
        if items > MOST_ITEMS:
            raise ParseError(f"The body holds more than {MOST_ITEMS} values.")
        inner: list[Any] = []
        for value in level:
            if isinstance(value, str):
                _check_text(value)
            elif isinstance(value, dict):
                inner += value.keys()
                inner += value.values()
            elif isinstance(value, list):
                inner += value
        level = inner


def _check_text(text: str) -> None:
    if "\x00" in text:
        raise ParseError("A text in the body holds the character NUL, which cannot be stored.")
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as wrong:
        raise ParseError("A text in the body holds half a character (a lone surrogate).") from wrong
