"""Observations as documents: ``{"do": "reference", "current_ma": 147.0}`` and its kin, and back."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields
from typing import Any, get_args

from faults.forms.place import joint_document, place_document, read_joint, read_place
from faults.forms.schema_files import form_defects
from faults.tracing.observations import Observation, TagReading
from sites.forms.defects import Defect, pointer_to, refuse_if_any, shown
from sites.forms.rows import member, numbered_rows, text_in
from sites.network.faults import Place

Document = dict[str, Any]

_KINDS: dict[str, type[Observation]] = {kind.do: kind for kind in get_args(Observation)}
_WHOLE_NUMBERS = ("cables_seen", "station", "step")


def read_observation(document: Document) -> Observation:
    """The observation that a document tells.

    Raises FormDefects with every defect of the document.
    """
    refuse_if_any([*form_defects(document, "observation"), *_member_defects(document)])
    values = {name: _read(name, value) for name, value in document.items() if name != "do"}
    return _KINDS[document["do"]](**values)


def observation_document(observation: Observation) -> Document:
    """The document of an observation; what it does not say is left out."""
    document: Document = {"do": observation.do}
    for field in fields(observation):
        value = getattr(observation, field.name)
        if value is None and not (observation.do == "clamp" and field.name == "wire"):
            continue
        document[field.name] = _written(field.name, value)
    if document.get("why") == "":
        del document["why"]
    return document


def _member_defects(document: object) -> Iterator[Defect]:
    """What members say together, which the schema does not tell."""
    do = member(document, "do")
    seen_as = member(document, "seen_as")
    if do == "clamp" and text_in(document, "wire") is not None and seen_as is not None:
        right = "wire null for a wire that is not on the map, or no seen_as"
        yield Defect("/seen_as", "the wire is on the map, so seen_as has no place", right)
    if do == "clamp_set":
        yield from _repeated(
            (text_in(row, "tag"), pointer_to("readings", place, "tag"))
            for place, row in numbered_rows(document, "readings")
        )
    if do in ("open_joints", "close_joints"):
        yield from _repeated(
            (_joint_name(row), pointer_to("done", place))
            for place, row in numbered_rows(document, "done")
        )
    legs = member(document, "legs_on")
    if isinstance(legs, list):
        names = [leg if isinstance(leg, str) else None for leg in legs]
        yield from _repeated((leg, pointer_to("legs_on", n)) for n, leg in enumerate(names))


def _repeated(named: Iterator[tuple[str | None, str]]) -> Iterator[Defect]:
    seen = set()
    for name, here in named:
        if name is not None and name in seen:
            yield Defect(here, f"{shown(name)} is given more than once", "once")
        seen.add(name)


def _joint_name(row: Document) -> str | None:
    segment, end = text_in(row, "segment"), text_in(row, "end")
    return f"{segment} {end}" if segment is not None and end is not None else None


def _read(name: str, value: Any) -> Any:
    """A member as its dataclass keeps it."""
    if name == "at":
        return read_place(value)
    if name == "done":
        return tuple(read_joint(joint) for joint in value)
    if name == "readings":
        return tuple(
            TagReading(tag=row["tag"], current_ma=float(row["current_ma"])) for row in value
        )
    if name == "legs_on":
        return tuple(value)
    if name in _WHOLE_NUMBERS:
        return int(value)
    if isinstance(value, int) and not isinstance(value, bool):
        return float(value)
    return value


def _written(name: str, value: Any) -> Any:
    """A dataclass's value as its document keeps it."""
    if isinstance(value, Place):
        return place_document(value)
    if name == "done":
        return [joint_document(joint) for joint in value]
    if name == "readings":
        return [{"tag": reading.tag, "current_ma": reading.current_ma} for reading in value]
    return list(value) if isinstance(value, tuple) else value
