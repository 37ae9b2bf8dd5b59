"""From metres around an anchor to WGS 84 degrees, and no library for so little.

The survey's plane is the plane that touches the ellipsoid at the anchor. A point on it is turned
to earth-centred coordinates and from there to latitude and longitude: EPSG methods 9837
(topocentric) and 9602 (geocentric), IOGP Publication 373-7-2. A place d metres away on the ground
comes out less than d³ / (3 R²) too near, 1 mm at 5 km, far below what a survey knows.
"""

from __future__ import annotations

import math

from sites.network.elements import Anchor

EQUATOR_M = 6_378_137.0
"""Semi-major axis of WGS 84."""

FLATTENING = 1.0 / 298.257223563
"""Flattening of WGS 84."""

_POLE_M = EQUATOR_M * (1.0 - FLATTENING)
_E2 = FLATTENING * (2.0 - FLATTENING)
_SECOND_E2 = _E2 / (1.0 - _E2)


class TangentPlane:
    """The plane of a survey's coordinates: y points to the anchor's bearing, x to its right."""

    def __init__(self, anchor: Anchor) -> None:
        lat, lon = math.radians(anchor.lat), math.radians(anchor.lon)
        bearing = math.radians(anchor.bearing_deg)
        self._sin_bearing, self._cos_bearing = math.sin(bearing), math.cos(bearing)
        self._sin_lat, self._cos_lat = math.sin(lat), math.cos(lat)
        self._sin_lon, self._cos_lon = math.sin(lon), math.cos(lon)
        radius_m = EQUATOR_M / math.sqrt(1.0 - _E2 * self._sin_lat**2)
        self._x_m = radius_m * self._cos_lat * self._cos_lon
        self._y_m = radius_m * self._cos_lat * self._sin_lon
        self._z_m = radius_m * (1.0 - _E2) * self._sin_lat

    def lon_lat(self, x_m: float, y_m: float) -> tuple[float, float]:
        """Longitude and latitude in degrees of a point of the plane."""
        east_m = x_m * self._cos_bearing + y_m * self._sin_bearing
        north_m = y_m * self._cos_bearing - x_m * self._sin_bearing
        outward_m = -north_m * self._sin_lat
        return _lon_lat(
            self._x_m - east_m * self._sin_lon + outward_m * self._cos_lon,
            self._y_m + east_m * self._cos_lon + outward_m * self._sin_lon,
            self._z_m + north_m * self._cos_lat,
        )


def _lon_lat(x_m: float, y_m: float, z_m: float) -> tuple[float, float]:
    """Longitude and latitude in degrees of a point in earth-centred coordinates."""
    axis_m = math.hypot(x_m, y_m)
    reduced = math.atan2(z_m * EQUATOR_M, axis_m * _POLE_M)
    lat = math.atan2(
        z_m + _SECOND_E2 * _POLE_M * math.sin(reduced) ** 3,
        axis_m - _E2 * EQUATOR_M * math.cos(reduced) ** 3,
    )
    return math.degrees(math.atan2(y_m, x_m)), math.degrees(lat)
