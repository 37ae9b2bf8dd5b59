"""Places as documents, such as ``{"device": "D1"}``, and what they may name."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Literal, get_args

from faults.tracing.observations import Joint
from sites.forms.defects import Defect, shown
from sites.forms.rows import ids_in, text_in
from sites.network.faults import Place, PlaceKind

Document = dict[str, Any]

_NAMED_IN: dict[PlaceKind, tuple[str, Literal["nodes", "segments", "devices"]]] = {
    "device": ("a device", "devices"),
    "splice": ("a node", "nodes"),
    "segment": ("a segment", "segments"),
    "unmapped": ("a node", "nodes"),
}
"""The place kinds that name something, and in which list of a survey it stands."""


def read_place(document: Document) -> Place:
    """The place of a document of the right shape; a segment's fraction is no part of it."""
    kind: PlaceKind = next(kind for kind in get_args(PlaceKind) if kind in document)
    return Place(kind, document[kind] if kind in _NAMED_IN else "")


def place_document(place: Place) -> Document:
    """A place as a document."""
    return {place.kind: place.id if place.kind in _NAMED_IN else True}


def read_joint(document: Document) -> Joint:
    """The joint of a document of the right shape."""
    return document["segment"], document["end"]


def joint_document(joint: Joint) -> Document:
    """A joint as a document."""
    segment, end = joint
    return {"segment": segment, "end": end}


def is_on_path(document: object) -> bool:
    """Whether a raw place is one on the path: a device, splice, segment or unmapped thing."""
    return isinstance(document, dict) and any(kind in document for kind in _NAMED_IN)


def ids_by_list(survey: object) -> dict[str, set[str]]:
    """The ids of a raw survey that can be read, by the list they stand in."""
    return {name: ids_in(survey, name) for name in ("nodes", "segments", "devices")}


def place_defects(document: object, ids: dict[str, set[str]], pointer: str) -> Iterator[Defect]:
    """What a raw place names and the survey with these ids does not have."""
    if not isinstance(document, dict):
        return
    for kind, (word, rows) in _NAMED_IN.items():
        one = text_in(document, kind)
        if one is not None and one not in ids[rows]:
            what = f"{shown(one)} is not {word} of the survey this place lies on"
            yield Defect(f"{pointer}/{kind}", what, f"the id of {word} there")
