from __future__ import annotations

from typing import Any

import pytest

from core.accounts.actor import Actor
from sites.geojson import path_geojson
from sites.models import Controller, WirePath
from sites.network.elements import Anchor
from sites.services.path_imports import path_import
from sites.tangent_plane import TangentPlane
from tests.sites.surveys import Document, straight_survey

METRE_DEG = 1.0 / 110_000.0
"""At least a metre of latitude, in degrees."""


def imported(controller: Controller, by: Actor, survey: Document) -> WirePath:
    path = path_import(controller=controller, survey=survey, by=by).path
    assert path is not None
    return path


def anchored(count: int, lat: float, lon: float) -> Document:
    survey = straight_survey(count)
    survey["path"]["anchor"] = {"lat": lat, "lon": lon}
    return survey


def positions(geometry: dict[str, Any]) -> list[list[float]]:
    found = geometry["coordinates"]
    if geometry["type"] == "Point":
        return [found]
    return found if geometry["type"] == "LineString" else [one for line in found for one in line]


# The direct geodesic problem on WGS 84, solved by GeographicLib 2.1 from the anchor in the
# direction and at the distance of (x, y): longitude and latitude.
BY_GEODESIC = [
    (Anchor(40.1, -3.2), 100.0, 0.0, -3.198827243, 40.099999994),
    (Anchor(40.1, -3.2), 3000.0, 4000.0, -3.164798724, 40.136018713),
    (Anchor(-33.5, 151.2, 37.0), 300.0, -400.0, 151.199987781, -33.504508009),
    (Anchor(64.0, -21.0, -120.0), 0.0, 100.0, -21.001769836, 63.999551468),
    (Anchor(0.0, 179.99, 90.0), 3000.0, 4000.0, -179.974067386, -0.027131083),
    (Anchor(89.9, 10.0), 100.0, 0.0, 10.512957624, 89.899995992),
]


@pytest.mark.parametrize(("anchor", "x_m", "y_m", "lon", "lat"), BY_GEODESIC)
def test_a_point_lies_where_the_geodesic_leads(
    anchor: Anchor, x_m: float, y_m: float, lon: float, lat: float
) -> None:
    """To 2 mm; the farthest are 5 km away."""
    found_lon, found_lat = TangentPlane(anchor).lon_lat(x_m, y_m)
    assert found_lat == pytest.approx(lat, abs=0.002 * METRE_DEG)
    assert found_lon == pytest.approx(lon, abs=0.002 * METRE_DEG / max(0.001, 1 - abs(lat) / 90))


def test_every_row_is_a_feature_with_its_public_id(controller: Controller, by: Actor) -> None:
    path = imported(controller, by, anchored(2, 40.1, -3.2))
    drawn = path_geojson(path)
    assert (drawn["type"], drawn["path"], drawn["revision"]) == (
        "FeatureCollection",
        path.public_id,
        1,
    )
    told = [
        (feature["properties"]["element"], feature["properties"]["code"])
        for feature in drawn["features"]
    ]
    assert told == [
        *(("node", code) for code in ("N0", "N1", "N2")),
        *(("segment", code) for code in ("S1", "S2")),
        *(("device", code) for code in ("D1", "D2")),
    ]
    assert len({feature["id"] for feature in drawn["features"]}) == 7
    by_code = {feature["properties"]["code"]: feature for feature in drawn["features"]}
    assert by_code["S2"]["properties"]["length_m"] == 31.5
    assert by_code["N0"]["geometry"] == {"type": "Point", "coordinates": [-3.2, 40.1]}
    ends = [by_code[code]["geometry"]["coordinates"] for code in ("N1", "N2")]
    assert by_code["S2"]["geometry"] == {"type": "LineString", "coordinates": ends}
    assert by_code["D2"]["geometry"] == by_code["N2"]["geometry"]


def test_without_an_anchor_there_is_no_geometry(controller: Controller, by: Actor) -> None:
    drawn = path_geojson(imported(controller, by, straight_survey(2)))
    assert len(drawn["features"]) == 7
    assert all(feature["geometry"] is None for feature in drawn["features"])


@pytest.mark.parametrize(("lon", "edge"), [(179.9999, 180.0), (-179.9999, -180.0)])
def test_a_segment_across_the_antimeridian_is_cut_there(
    controller: Controller, by: Actor, lon: float, edge: float
) -> None:
    survey = anchored(1, 10.0, lon)
    survey["nodes"][1] |= {"x_m": 30.0 if lon > 0 else -30.0, "y_m": 8.0}
    drawn = path_geojson(imported(controller, by, survey))
    cut = next(
        feature["geometry"]
        for feature in drawn["features"]
        if feature["properties"]["code"] == "S1"
    )
    assert cut["type"] == "MultiLineString"
    (start, at_edge), (from_edge, end) = cut["coordinates"]
    assert (at_edge[0], from_edge[0]) == (edge, -edge)
    assert at_edge[1] == from_edge[1]
    assert start[1] < at_edge[1] < end[1]
    # 30 m are 0.000274 degrees there; 0.0001 of them lie before the edge.
    assert (at_edge[1] - start[1]) / (end[1] - start[1]) == pytest.approx(0.365, abs=0.01)


def test_positions_are_within_what_the_standard_allows(controller: Controller, by: Actor) -> None:
    drawn = path_geojson(imported(controller, by, anchored(4, -89.9999, 179.9999)))
    found = [one for feature in drawn["features"] for one in positions(feature["geometry"])]
    assert found
    assert all(-180 <= lon <= 180 and -90 <= lat <= 90 for lon, lat in found)
