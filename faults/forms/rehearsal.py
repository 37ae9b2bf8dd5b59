"""The rehearsal form ``clampline-rehearsal/1``: a survey and the truth behind it, and back."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from faults.forms.known import (
    costs_document,
    known_defects,
    meter_document,
    priors_rows,
    read_costs,
    read_meter,
    read_priors,
    read_sound_record,
    sound_record_rows,
)
from faults.forms.place import (
    ids_by_list,
    is_on_path,
    place_defects,
    place_document,
    read_place,
)
from faults.forms.schema_files import form_defects
from faults.rehearsal.rehearsal import Rehearsal
from sites.forms.defects import Defect, pointer_to, refuse_if_any, shown
from sites.forms.rows import ids_in, member, numbered_rows
from sites.forms.survey import impedance_pair, read_impedance, survey_document, survey_path
from sites.forms.survey_checks import survey_defects
from sites.network.faults import Fault

REHEARSAL_FORMAT = "clampline-rehearsal/1"

Document = dict[str, Any]

_LISTS = {"nodes": "a node", "segments": "a segment", "devices": "a device"}


def read_rehearsal(document: Document) -> Rehearsal:
    """The rehearsal that a document describes.

    Raises FormDefects with every defect of the document.
    """
    refuse_if_any(rehearsal_defects(document))
    actual = document.get("actual")
    meter = document.get("meter", {})
    return Rehearsal(
        survey=survey_path(document["survey"]),
        actual=None if actual is None else survey_path(actual),
        coil_ohm=read_impedance(document["series_coil_ohm"]),
        coil_known=document.get("coil_known", False),
        faults=tuple(_read_fault(row) for row in document["faults"]),
        meter=read_meter(meter),
        seed=int(meter.get("seed", 0)),
        costs=read_costs(document.get("costs", {})),
        priors=read_priors(document.get("priors", [])),
        sound_record=read_sound_record(document.get("sound_record", [])),
    )


def rehearsal_document(rehearsal: Rehearsal) -> Document:
    """The document of a rehearsal."""
    document: Document = {
        "format": REHEARSAL_FORMAT,
        "survey": survey_document(rehearsal.survey),
        "series_coil_ohm": impedance_pair(rehearsal.coil_ohm),
        "coil_known": rehearsal.coil_known,
        "faults": [_fault_row(fault) for fault in rehearsal.faults],
        "meter": {**meter_document(rehearsal.meter), "seed": rehearsal.seed},
        "costs": costs_document(rehearsal.costs),
    }
    if rehearsal.actual is not None:
        document["actual"] = survey_document(rehearsal.actual)
    if rehearsal.priors:
        document["priors"] = priors_rows(rehearsal.priors)
    if rehearsal.sound_record:
        document["sound_record"] = sound_record_rows(rehearsal.sound_record)
    return document


def rehearsal_defects(document: object) -> list[Defect]:
    """All defects of a rehearsal."""
    defects = form_defects(document, "rehearsal")
    for name in ("survey", "actual"):
        if member(document, name) is not None:
            inner = survey_defects(member(document, name))
            defects += [defect.below(f"/{name}") for defect in inner]
    return [
        *defects,
        *known_defects(document),
        *_same_thing_defects(document),
        *_fault_defects(document),
    ]


def _same_thing_defects(document: object) -> Iterator[Defect]:
    """An id in both the map and the ground is the same thing, so of the same kind."""
    survey, actual = member(document, "survey"), member(document, "actual")
    mapped = {one: words for name, words in _LISTS.items() for one in ids_in(survey, name)}
    for name, words in _LISTS.items():
        for place, row in numbered_rows(actual, name):
            one = row.get("id")
            if isinstance(one, str) and mapped.get(one, words) != words:
                what = f"{shown(one)} is {words} here and {mapped[one]} in the survey"
                here = pointer_to("actual", name, place, "id")
                yield Defect(here, what, "the same thing in both, or an id of its own")


def _fault_defects(document: object) -> Iterator[Defect]:
    """Faults lie on the ground, and each kind has its own members."""
    actual = member(document, "actual")
    ground = member(document, "survey") if actual is None else actual
    path = member(ground, "path")
    floats = isinstance(path, dict) and path.get("earth_reference_ohm") is None
    ids = ids_by_list(ground)
    for place, row in numbered_rows(document, "faults"):
        here = pointer_to("faults", place)
        yield from place_defects(row.get("at"), ids, here + "/at")
        yield from _fault_member_defects(row, here)
        if row.get("kind") == "earth" and floats:
            what = "a fault to earth draws nothing on a path without earth_reference_ohm"
            right = "an earth_reference_ohm in the ground's path, or a fault of another kind"
            yield Defect(here + "/kind", what, right)


def _fault_member_defects(row: Document, here: str) -> Iterator[Defect]:
    kind, at = row.get("kind"), row.get("at")
    if not is_on_path(at):
        return
    if kind in ("short", "earth") and "resistance_ohm" not in row:
        what = "resistance_ohm is missing"
        yield Defect(here + "/resistance_ohm", what, "give the fault's resistance in ohms")
    if kind in ("open", "earth") and "conductor" not in row:
        yield Defect(here + "/conductor", "conductor is missing", 'give "a" or "b"')
    if kind == "short" and "conductor" in row:
        what = "a short lies between both conductors"
        yield Defect(here + "/conductor", what, "leave conductor out")
    if kind == "open" and "resistance_ohm" in row:
        what = "an open conductor has no resistance"
        yield Defect(here + "/resistance_ohm", what, "leave resistance_ohm out")
    if isinstance(at, dict) and "segment" in at and "fraction" not in at:
        what = "fraction is missing"
        right = "give how far along the segment the fault lies, above 0 and below 1"
        yield Defect(here + "/at/fraction", what, right)


def _read_fault(row: Document) -> Fault:
    resistance_ohm = row.get("resistance_ohm")
    return Fault(
        kind=row["kind"],
        at=read_place(row["at"]),
        resistance_ohm=None if resistance_ohm is None else float(resistance_ohm),
        conductor=row.get("conductor"),
        fraction=float(row["at"].get("fraction", 0.5)),
        show_chance=float(row.get("show_chance", 1.0)),
    )


def _fault_row(fault: Fault) -> Document:
    at = place_document(fault.at)
    if fault.at.kind == "segment":
        at["fraction"] = fault.fraction
    row: Document = {"kind": fault.kind, "at": at}
    if fault.resistance_ohm is not None:
        row["resistance_ohm"] = fault.resistance_ohm
    if fault.conductor is not None:
        row["conductor"] = fault.conductor
    if fault.show_chance != 1.0:
        row["show_chance"] = fault.show_chance
    return row
