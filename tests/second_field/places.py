"""Places as the documents write them, as plain pairs that can be kept in sets."""

from __future__ import annotations

from typing import Any

Document = dict[str, Any]
Place = tuple[str, str]

NAMED = ("device", "splice", "segment", "unmapped")
UNNAMED = ("controller", "none", "overload", "other")


class UnknownPlace(Exception):
    """A place of a document that says none of the known kinds."""


def place_of(at: Document) -> Place:
    """`{"device": "D1"}` as `("device", "D1")`; the fraction of a segment is left out."""
    for kind in NAMED:
        if kind in at:
            return kind, str(at[kind])
    for kind in UNNAMED:
        if at.get(kind):
            return kind, ""
    raise UnknownPlace(f"no known kind of place in {at!r}")
