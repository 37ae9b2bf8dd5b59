"""Reading raw documents whose shape may be wrong in places: what can be read is read."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

Row = dict[str, Any]


def member(value: object, name: str) -> Any:
    """A member of what should be an object, None where it cannot be read."""
    return value.get(name) if isinstance(value, dict) else None


def numbered_rows(document: object, name: str) -> Iterator[tuple[int, Row]]:
    """The entries that are objects, each with its place in the list ``name``."""
    entries = member(document, name)
    for place, entry in enumerate(entries if isinstance(entries, list) else ()):
        if isinstance(entry, dict):
            yield place, entry


def text_in(row: object, name: str) -> str | None:
    """A member that is text, else None."""
    value = member(row, name)
    return value if isinstance(value, str) else None


def ids_in(document: object, name: str) -> set[str]:
    """The ids that can be read in the list ``name``."""
    found = (text_in(row, "id") for _, row in numbered_rows(document, name))
    return {one for one in found if one is not None}


def all_readable(document: object, name: str, *fields: str) -> bool:
    """Whether ``name`` is a list of objects each of which has text in all these fields."""
    entries = member(document, name)
    return isinstance(entries, list) and all(
        text_in(entry, field) is not None for entry in entries for field in fields
    )
