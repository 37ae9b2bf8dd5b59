"""Whether a place in the words of the forms is one on a path's newest map."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from core.problems import Defect
from sites.models.device import Device, Node, Segment
from sites.models.wire_path import WirePath

Document = dict[str, Any]

_ROWS: dict[str, type[Device | Node | Segment]] = {
    "device": Device,
    "splice": Node,
    "segment": Segment,
    "unmapped": Node,
}


def place_on_path_defects(pointer: str, place: Document, path: WirePath | None) -> Iterator[Defect]:
    """What does not fit of a place such as ``{"device": "D5"}``; ``{"controller": true}`` and
    ``{}``, not known, fit always. One query."""
    if place in ({}, {"controller": True}):
        return
    kind, name = next(iter(place.items())) if len(place) == 1 else ("", None)
    if kind not in _ROWS or not isinstance(name, str):
        right = "one of device, splice, segment, unmapped, controller with its id"
        yield Defect(pointer, "this is no place", right)
        return
    live = _ROWS[kind].objects.filter(path=path, code=name, to_revision__isnull=True)
    if path is None or not live.exists():
        what = f"there is no {kind} {name[:60]!r} on the wire path"
        yield Defect(f"{pointer}/{kind}", what, "one that is on the map")
