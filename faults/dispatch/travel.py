"""Minutes of driving between places, by great circle or as given."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from faults.dispatch.errors import DispatchError

EARTH_RADIUS_M = 6_371_008.8


@dataclass(frozen=True, slots=True)
class Place:
    """A point by latitude and longitude in degrees (WGS 84)."""

    lat_deg: float
    lon_deg: float

    def __post_init__(self) -> None:
        if not (-90.0 <= self.lat_deg <= 90.0 and -180.0 <= self.lon_deg <= 180.0):
            raise DispatchError(f"place: no such point: {self.lat_deg}, {self.lon_deg}")


@dataclass(frozen=True, slots=True, eq=False)
class Travel:
    """Whole minutes from each named place to each other: ``minutes[from, to]``.

    Raises DispatchError where the matrix is not square over the names, holds less than 0, or more
    than 0 from a place to itself.
    """

    names: tuple[str, ...]
    minutes: NDArray[np.int64]
    index: Mapping[str, int] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        count = len(self.names)
        if self.minutes.shape != (count, count):
            raise DispatchError(f"travel: expected {count} by {count}, not {self.minutes.shape}")
        if np.any(self.minutes < 0) or np.any(np.diagonal(self.minutes) != 0):
            raise DispatchError("travel: expected at least 0 minutes, and 0 from a place to itself")
        index = {name: number for number, name in enumerate(self.names)}
        if len(index) != count:
            raise DispatchError("travel: a place is named twice")
        object.__setattr__(self, "index", index)

    @classmethod
    def given(cls, names: Sequence[str], minutes: ArrayLike) -> Travel:
        """Travel by a matrix of the user's; parts of a minute are rounded up."""
        exact = np.asarray(minutes, dtype=np.float64)
        if not np.all(np.isfinite(exact)):
            raise DispatchError("travel: expected finite minutes")
        return cls(tuple(names), np.ceil(exact - 1e-9).astype(np.int64))

    def with_legs(self, given: Travel) -> Travel:
        """The same places, with the minutes of another matrix wherever it knows both ends."""
        known = [name for name in given.names if name in self.index]
        here = [self.index[name] for name in known]
        there = [given.index[name] for name in known]
        minutes = self.minutes.copy()
        minutes[np.ix_(here, here)] = given.minutes[np.ix_(there, there)]
        return Travel(self.names, minutes)

    def between(self, start: str, stop: str) -> int:
        """Minutes from one place to another."""
        return int(self.minutes[self.index[start], self.index[stop]])


def great_circle_m(places: Sequence[Place]) -> NDArray[np.float64]:
    """Metres between all places over a sphere of the Earth's mean radius, by haversines."""
    lat = np.radians([place.lat_deg for place in places])
    lon = np.radians([place.lon_deg for place in places])
    across = np.sin((lat[:, None] - lat[None, :]) / 2.0) ** 2
    along = np.sin((lon[:, None] - lon[None, :]) / 2.0) ** 2
    haversine = across + np.cos(lat)[:, None] * np.cos(lat)[None, :] * along
    metres: NDArray[np.float64] = (
        2.0 * EARTH_RADIUS_M * np.arcsin(np.sqrt(np.minimum(haversine, 1)))
    )
    return metres


def great_circle_travel(
    places: Mapping[str, Place], *, speed_km_h: float = 45.0, road_factor: float = 1.3
) -> Travel:
    """Travel along great circles, each lengthened by ``road_factor`` for roads that bend.

    Parts of a minute are rounded up. Raises DispatchError for a speed of 0 or a factor below 1.
    """
    if not (speed_km_h > 0.0 and road_factor >= 1.0):
        raise DispatchError("travel: expected a speed above 0 and a road factor of at least 1")
    metres = great_circle_m(list(places.values()))
    return Travel.given(list(places), metres * road_factor * 0.06 / speed_km_h)
