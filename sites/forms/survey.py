"""The survey form ``clampline-survey/1``: a wire path as one JSON document, and back."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator

from sites.forms.defects import refuse_if_any
from sites.forms.shape import shape_defects, validator
from sites.forms.survey_checks import survey_defects
from sites.network.elements import (
    Anchor,
    Device,
    End,
    Node,
    PathLimits,
    Segment,
    SpliceFacts,
    WirePath,
)

SURVEY_FORMAT = "clampline-survey/1"
SCHEMAS = Path(__file__).parent / "schemas"

Document = dict[str, Any]

_DEVICE_FACTS = ("knee_v", "off_below_v", "outputs", "active_ma", "model_name", "installed")
_SEGMENT_FACTS = ("length_known", "laid_year", "output")
_SPLICE_FACTS = ("connector", "made", "by_crew")


def read_survey(document: Document) -> WirePath:
    """The wire path that a survey describes.

    Raises FormDefects with every defect of the document.
    """
    refuse_if_any([*shape_defects(document, _checker()), *survey_defects(document)])
    return survey_path(document)


def survey_path(document: Document) -> WirePath:
    """The wire path of a survey that has been found without defect."""
    path = document["path"]
    anchor = path.get("anchor")
    return WirePath(
        label=path["label"],
        frequency_hz=float(path["frequency_hz"]),
        source_v=float(path["source_v"]),
        source_ohm=read_impedance(path["source_ohm"]),
        trip_ma=float(path["trip_ma"]),
        nodes=tuple(_read_node(row) for row in document["nodes"]),
        segments=tuple(_read_segment(row) for row in document["segments"]),
        devices=tuple(_read_device(row) for row in document["devices"]),
        topology=path.get("topology"),
        conductor_temp_c=float(path.get("conductor_temp_c", 20.0)),
        earth_reference_ohm=_number(path.get("earth_reference_ohm")),
        anchor=None if anchor is None else Anchor(**{k: float(v) for k, v in anchor.items()}),
        limits=PathLimits(**{k: float(v) for k, v in path.get("limits", {}).items()}),
        capacitance_nf_per_km=float(path.get("capacitance_nf_per_km", 0.0)),
        trip_spread=float(path.get("trip_spread", 0.0)),
    )


def survey_document(path: WirePath) -> Document:
    """The survey of a wire path; what is at its default and optional is left out."""
    return {
        "format": SURVEY_FORMAT,
        "path": _path_row(path),
        "nodes": [_node_row(node) for node in path.nodes],
        "segments": [_segment_row(segment) for segment in path.segments],
        "devices": [_device_row(device) for device in path.devices],
    }


def read_impedance(pair: list[float]) -> complex:
    """An impedance from its [R, X] in ohms."""
    return complex(pair[0], pair[1])


def impedance_pair(ohm: complex) -> list[float]:
    """The [R, X] of an impedance in ohms."""
    return [ohm.real, ohm.imag]


@cache
def _checker() -> Draft202012Validator:
    return validator(SCHEMAS / "survey.schema.json")


def _number(value: float | None) -> float | None:
    return None if value is None else float(value)


def _read_node(row: Document) -> Node:
    splice = row.get("splice")
    return Node(
        id=row["id"],
        kind=row["kind"],
        x_m=float(row["x_m"]),
        y_m=float(row["y_m"]),
        access=row["access"],
        splice=None if splice is None else SpliceFacts(**splice),
    )


def _read_segment(row: Document) -> Segment:
    joint_open: dict[object, End | None] = {False: None, True: "to", "from": "from"}
    laid_year = row.get("laid_year")
    return Segment(
        id=row["id"],
        from_node=row["from"],
        to_node=row["to"],
        length_m=float(row["length_m"]),
        conductor=row["conductor"],
        joint_open=joint_open[row.get("joint_open", False)],
        reactance_ohm_per_km=float(row.get("reactance_ohm_per_km", 0.0)),
        length_known=row.get("length_known"),
        laid_year=None if laid_year is None else int(laid_year),
        output=row.get("output"),
    )


def _read_device(row: Document) -> Device:
    outputs = row.get("outputs")
    return Device(
        id=row["id"],
        node=row["node"],
        kind=row["kind"],
        draw_ma=float(row["draw_ma"]),
        model=row.get("model", "resistor"),
        knee_v=_number(row.get("knee_v")),
        off_below_v=_number(row.get("off_below_v")),
        power_factor=float(row.get("power_factor", 1.0)),
        outputs=None if outputs is None else int(outputs),
        active_ma=_number(row.get("active_ma")),
        model_name=row.get("model_name"),
        installed=row.get("installed"),
        stations=tuple(int(station) for station in row.get("stations", ())),
    )


def _given(thing: object, names: tuple[str, ...]) -> Document:
    """The named facts of a thing that are known."""
    values = {name: getattr(thing, name) for name in names}
    return {name: value for name, value in values.items() if value is not None}


def _path_row(path: WirePath) -> Document:
    row: Document = {"label": path.label}
    if path.topology is not None:
        row["topology"] = path.topology
    row |= {
        "frequency_hz": path.frequency_hz,
        "source_v": path.source_v,
        "source_ohm": impedance_pair(path.source_ohm),
        "trip_ma": path.trip_ma,
        "conductor_temp_c": path.conductor_temp_c,
        "earth_reference_ohm": path.earth_reference_ohm,
    }
    if path.trip_spread:
        row["trip_spread"] = path.trip_spread
    if path.capacitance_nf_per_km:
        row["capacitance_nf_per_km"] = path.capacitance_nf_per_km
    if path.anchor is not None:
        row["anchor"] = _given(path.anchor, ("lat", "lon", "bearing_deg"))
    if limits := _given(path.limits, ("min_device_v", "max_current_ma")):
        row["limits"] = limits
    return row


def _node_row(node: Node) -> Document:
    row = _given(node, ("id", "kind", "x_m", "y_m", "access"))
    if node.splice is not None:
        row["splice"] = _given(node.splice, _SPLICE_FACTS)
    return row


def _segment_row(segment: Segment) -> Document:
    row: Document = {
        "id": segment.id,
        "from": segment.from_node,
        "to": segment.to_node,
        "length_m": segment.length_m,
        "conductor": segment.conductor,
        "joint_open": {None: False, "to": True, "from": "from"}[segment.joint_open],
    }
    if segment.reactance_ohm_per_km:
        row["reactance_ohm_per_km"] = segment.reactance_ohm_per_km
    return row | _given(segment, _SEGMENT_FACTS)


def _device_row(device: Device) -> Document:
    row = _given(device, ("id", "node", "kind", "draw_ma"))
    if device.model != "resistor":
        row["model"] = device.model
    if device.power_factor != 1.0:
        row["power_factor"] = device.power_factor
    row |= _given(device, _DEVICE_FACTS)
    if device.stations:
        row["stations"] = list(device.stations)
    return row
