"""From text or a file to a JSON object, within limits and with nothing JSON does not allow."""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sites.forms.defects import Defect, FormDefects, first_of, pointer_to, shown, told_of

MOST_BYTES = 20_000_000
MOST_LEVELS = 32

_LONE_HALF = re.compile(r"\\u[dD][89a-fA-F]")


class _Repeating(dict[str, Any]):
    """An object whose text gave some keys more than once."""

    repeated: tuple[str, ...] = ()


def load_document(source: str | bytes | Path) -> dict[str, Any]:
    """The JSON object in ``source``: a path is read, text and bytes (UTF-8) are taken as they are.

    Refused: more than 20 MB, not UTF-8, not JSON, more than 32 levels, NaN and infinities (also
    numbers too large to hold), keys given twice, text with half a character, not an object.

    Raises FormDefects.
    """
    parsed, suspicious = _parse(_text(source))
    _refuse_deep(parsed)
    if suspicious:
        defects = first_of(_walk(parsed))
        if defects:
            raise FormDefects(told_of(defects))
    if not isinstance(parsed, dict):
        raise _whole(f"this is {shown(parsed)}", "one JSON object: { … }")
    return parsed


def _whole(what: str, right: str) -> FormDefects:
    return FormDefects([Defect("", what, right)])


def _text(source: str | bytes | Path) -> str:
    if isinstance(source, Path):
        try:
            with source.open("rb") as stream:
                source = stream.read(MOST_BYTES + 1)
        except OSError as error:
            reason = error.strerror or "unknown reason"
            raise _whole(f"the file cannot be read: {reason}", "a file that can be read") from error
    raw = source.encode("utf-8", "surrogatepass") if isinstance(source, str) else source
    if len(raw) > MOST_BYTES:
        raise _whole("there are more than 20 MB", "at most 20 MB (20 000 000 bytes)")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise _whole(f"byte {error.start + 1} is not UTF-8", "text in UTF-8") from error


def _parse(text: str) -> tuple[Any, bool]:
    """The value, and whether something in it was seen that JSON does not allow."""
    suspicious = _LONE_HALF.search(text) is not None

    def number(digits: str) -> float:
        nonlocal suspicious
        value = float(digits)
        suspicious = suspicious or not math.isfinite(value)
        return value

    def whole(digits: str) -> int | float:
        return int(digits) if len(digits) < 300 else number(digits)

    def members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        nonlocal suspicious
        plain = dict(pairs)
        if len(plain) == len(pairs):
            return plain
        suspicious = True
        times = Counter(key for key, _ in pairs)
        repeating = _Repeating(plain)
        repeating.repeated = tuple(key for key in plain if times[key] > 1)
        return repeating

    try:
        value = json.loads(
            text,
            parse_float=number,
            parse_int=whole,
            parse_constant=number,
            object_pairs_hook=members,
        )
    except json.JSONDecodeError as error:
        where = f"line {error.lineno}, column {error.colno}"
        raise _whole(f"this is not JSON: {where}", "JSON text; mend it there first") from error
    except RecursionError as error:
        raise _too_deep() from error
    return value, suspicious


def _too_deep() -> FormDefects:
    return _whole("lists and objects lie too deep in each other", f"at most {MOST_LEVELS} levels")


def _refuse_deep(value: Any) -> None:
    level = [value]
    for _ in range(MOST_LEVELS):
        level = [child for part in level for child in _children(part)]
        if not level:
            return
    raise _too_deep()


def _children(value: Any) -> list[Any]:
    """The lists and objects right inside a value."""
    inside = value.values() if isinstance(value, dict) else value
    if not isinstance(value, dict | list):
        return []
    return [child for child in inside if isinstance(child, dict | list)]


def _walk(value: Any, *parts: str | int) -> Iterator[Defect]:
    """The defects of what JSON does not allow; at most MOST_LEVELS deep."""
    if isinstance(value, dict):
        if isinstance(value, _Repeating):
            for key in value.repeated:
                yield Defect(pointer_to(*parts, key), "this key is given more than once", "once")
        for key, child in value.items():
            yield from _text_defects(key, parts)
            yield from _walk(child, *parts, key)
    elif isinstance(value, list):
        for place, child in enumerate(value):
            yield from _walk(child, *parts, place)
    elif isinstance(value, str):
        yield from _text_defects(value, parts)
    elif isinstance(value, float) and not math.isfinite(value):
        what = "this is not a number" if math.isnan(value) else "this number is infinite"
        yield Defect(pointer_to(*parts), what, "a finite number")


def _text_defects(text: str, parts: tuple[str | int, ...]) -> Iterator[Defect]:
    if any("\ud800" <= letter <= "\udfff" for letter in text):
        what = f"{shown(text)} holds half a character (a lone surrogate)"
        yield Defect(pointer_to(*parts), what, "whole Unicode characters")
