"""A path's map as GeoJSON (RFC 7946)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sites.models.device import Device, Node, Segment
from sites.models.wire_path import PathHeader, WirePath
from sites.network.elements import Anchor
from sites.selectors.paths import path_rows
from sites.survey_rows import device_member, node_member, segment_member
from sites.tangent_plane import TangentPlane

Document = dict[str, Any]
Position = list[float]

_DECIMALS = 7
"""A centimetre; more would claim what no survey knows."""


def path_geojson(path: WirePath, revision: int | None = None) -> Document:
    """A feature for each node, segment and device of a path in a revision, None: the newest.

    ``id`` is the public id; ``properties`` hold what the survey says, ``code`` its id there.
    A segment is drawn straight from node to node. Without an anchor geometries are null. Four
    queries. Raises NotFound for a revision there is not.
    """
    rows = path_rows(path, revision)
    at = _positions(rows.revision, rows.nodes)
    return {
        "type": "FeatureCollection",
        "path": path.public_id,
        "revision": rows.revision.number,
        "features": [
            *(
                _feature("node", node, node_member(node), _point(at, node.code))
                for node in rows.nodes
            ),
            *(
                _feature("segment", segment, segment_member(segment), _line(at, segment))
                for segment in rows.segments
            ),
            *(
                _feature("device", device, device_member(device), _point(at, device.node_code))
                for device in rows.devices
            ),
        ],
    }


def _positions(header: PathHeader, nodes: tuple[Node, ...]) -> dict[str, Position]:
    """Longitude and latitude of each node by its code; empty without an anchor."""
    if header.anchor_lat is None or header.anchor_lon is None:
        return {}
    plane = TangentPlane(
        Anchor(header.anchor_lat, header.anchor_lon, header.anchor_bearing_deg or 0.0)
    )
    return {
        node.code: [round(degrees, _DECIMALS) for degrees in plane.lon_lat(node.x_m, node.y_m)]
        for node in nodes
    }


def _feature(
    element: str, row: Node | Segment | Device, member: Document, geometry: Document | None
) -> Document:
    code = member.pop("id")
    return {
        "type": "Feature",
        "id": row.public_id,
        "geometry": geometry,
        "properties": {"element": element, "code": code, **member},
    }


def _point(at: Mapping[str, Position], code: str) -> Document | None:
    return {"type": "Point", "coordinates": at[code]} if at else None


def _line(at: Mapping[str, Position], segment: Segment) -> Document | None:
    if not at:
        return None
    start, end = at[segment.from_code], at[segment.to_code]
    if abs(start[0] - end[0]) <= 180.0:
        return {"type": "LineString", "coordinates": [start, end]}
    # RFC 7946, 3.1.9: what crosses the antimeridian is cut there.
    edge = 180.0 if start[0] > 0.0 else -180.0
    ahead = end[0] + 2.0 * edge
    share = (edge - start[0]) / (ahead - start[0])
    lat = round(start[1] + share * (end[1] - start[1]), _DECIMALS)
    return {
        "type": "MultiLineString",
        "coordinates": [[start, [edge, lat]], [[-edge, lat], end]],
    }
