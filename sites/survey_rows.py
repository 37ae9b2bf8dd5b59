"""Survey documents to the columns of map rows, and rows back to the document they came from.

One rule holds for all members: what a survey leaves out is null, or empty where the column is
text, and is left out again. No member of the form can be null or empty text, but for two in the
header that have a column of their own to say that they are there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from sites.forms.survey import SURVEY_FORMAT
from sites.models.device import Device, Node, Segment
from sites.models.map_row import MapRow, RowKind
from sites.models.wire_path import PathHeader, WirePath
from sites.selectors.paths import PathRows, path_rows

Document = dict[str, Any]
Columns = dict[str, Any]

_SPLICE = {"connector": "splice_connector", "made": "splice_made", "by_crew": "splice_by_crew"}
_ANCHOR = {"lat": "anchor_lat", "lon": "anchor_lon", "bearing_deg": "anchor_bearing_deg"}
_LIMITS = {"min_device_v": "min_device_v", "max_current_ma": "max_current_ma"}
_HEADER = {
    name: name
    for name in (
        "label",
        "topology",
        "frequency_hz",
        "source_v",
        "trip_ma",
        "trip_spread",
        "conductor_temp_c",
        "capacitance_nf_per_km",
    )
}
_HEADER_TEXT = frozenset({"label", "topology"})
_NODE = {"id": "code"} | {name: name for name in ("kind", "x_m", "y_m", "access")}
_SEGMENT = {"id": "code", "from": "from_code", "to": "to_code"} | {
    name: name
    for name in (
        "length_m",
        "conductor",
        "reactance_ohm_per_km",
        "length_known",
        "laid_year",
        "output",
    )
}
_SEGMENT_TEXT = frozenset({"length_known", "output"})
_DEVICE = {"id": "code", "node": "node_code"} | {
    name: name
    for name in (
        "kind",
        "draw_ma",
        "model",
        "knee_v",
        "off_below_v",
        "power_factor",
        "outputs",
        "active_ma",
        "model_name",
        "installed",
        "stations",
    )
}
_DEVICE_TEXT = frozenset({"model", "model_name", "installed"})
_JOINT_COLUMN: dict[object, str] = {None: "", False: "closed", True: "to", "from": "from"}
_JOINT_MEMBER: dict[str, object] = {"closed": False, "to": True, "from": "from"}


def _columns(row: Document, names: Mapping[str, str], text: frozenset[str]) -> Columns:
    return {column: row.get(name, "" if name in text else None) for name, column in names.items()}


def _members(row: object, names: Mapping[str, str]) -> Document:
    found = {}
    for name, column in names.items():
        value = getattr(row, column)
        if value is not None and value != "":
            found[name] = value
    return found


def header_columns(path: Document) -> Columns:
    """The columns of a path's header from the member ``path`` of a survey."""
    anchor, limits = path.get("anchor", {}), path.get("limits", {})
    source_ohm_r, source_ohm_x = path["source_ohm"]
    return (
        _columns(path, _HEADER, _HEADER_TEXT)
        | {
            "source_ohm_r": source_ohm_r,
            "source_ohm_x": source_ohm_x,
            "earth_reference_stated": "earth_reference_ohm" in path,
            "earth_reference_ohm": path.get("earth_reference_ohm"),
            "limits_stated": "limits" in path,
        }
        | _columns(anchor, _ANCHOR, frozenset())
        | _columns(limits, _LIMITS, frozenset())
    )


def header_member(header: PathHeader) -> Document:
    """The member ``path`` of a survey."""
    path = _members(header, _HEADER)
    path["source_ohm"] = [header.source_ohm_r, header.source_ohm_x]
    if header.earth_reference_stated:
        path["earth_reference_ohm"] = header.earth_reference_ohm
    if header.anchor_lat is not None:
        path["anchor"] = _members(header, _ANCHOR)
    if header.limits_stated:
        path["limits"] = _members(header, _LIMITS)
    return path


def node_columns(row: Document) -> Columns:
    """The columns of a node from its row in a survey."""
    splice = row.get("splice", {})
    return (
        _columns(row, _NODE, frozenset())
        | {"splice_stated": "splice" in row}
        | _columns(splice, _SPLICE, frozenset(_SPLICE))
    )


def node_member(node: Node) -> Document:
    """A node's row in a survey."""
    row = _members(node, _NODE)
    if node.splice_stated:
        row["splice"] = _members(node, _SPLICE)
    return row


def segment_columns(row: Document) -> Columns:
    """The columns of a segment from its row in a survey."""
    joint_open = _JOINT_COLUMN[row.get("joint_open")]
    return _columns(row, _SEGMENT, _SEGMENT_TEXT) | {"joint_open": joint_open}


def segment_member(segment: Segment) -> Document:
    """A segment's row in a survey."""
    row = _members(segment, _SEGMENT)
    if segment.joint_open:
        row["joint_open"] = _JOINT_MEMBER[segment.joint_open]
    return row


def device_columns(row: Document) -> Columns:
    """The columns of a device from its row in a survey."""
    return _columns(row, _DEVICE, _DEVICE_TEXT)


def device_member(device: Device) -> Document:
    """A device's row in a survey."""
    return _members(device, _DEVICE)


@dataclass(frozen=True)
class RowForm:
    """One of the three lists of a survey: its table, and the way into its columns."""

    kind: RowKind
    list_name: str
    model: type[MapRow]
    columns: Callable[[Document], Columns]


ROW_FORMS = (
    RowForm(RowKind.NODE, "nodes", Node, node_columns),
    RowForm(RowKind.SEGMENT, "segments", Segment, segment_columns),
    RowForm(RowKind.DEVICE, "devices", Device, device_columns),
)


def path_survey(path: WirePath, revision: int | None = None) -> Document:
    """The survey of a path as it was imported or corrected; None: the current revision.

    Four queries. Raises NotFound for a revision there is not.
    """
    return rows_survey(path_rows(path, revision))


def rows_survey(rows: PathRows) -> Document:
    """The survey that the rows of a revision make."""
    return {
        "format": SURVEY_FORMAT,
        "path": header_member(rows.revision),
        "nodes": [node_member(node) for node in rows.nodes],
        "segments": [segment_member(segment) for segment in rows.segments],
        "devices": [device_member(device) for device in rows.devices],
    }
