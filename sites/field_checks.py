"""Defects of the fields of properties, controllers and seasons, each with its JSON pointer."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from zoneinfo import available_timezones

from core.clock import FIRST_DAY, LAST_DAY, is_ordinary
from core.problems import Defect


def time_zone_defects(pointer: str, name: str) -> Iterator[Defect]:
    """A time zone is named as in the IANA database."""
    if name not in available_timezones():
        yield Defect(pointer, f"{name!r} is no time zone", "a name like Europe/Madrid")


def day_defects(pointer: str, day: dt.date | None) -> Iterator[Defect]:
    """A day, or a moment with its zone, that can be reckoned with; None: nothing is told."""
    if isinstance(day, dt.datetime) and day.tzinfo is None:
        yield Defect(pointer, "the time names no zone", "a time with its offset")
    elif day is not None and not is_ordinary(day):
        right = f"from {FIRST_DAY.year} to {LAST_DAY.year}"
        yield Defect(pointer, f"the year {day.year} is out of range", right)


def position_defects(lat: float | None, lon: float | None) -> Iterator[Defect]:
    """A position has both coordinates, in degrees, or neither."""
    if (lat is None) != (lon is None):
        missing = "/lat" if lat is None else "/lon"
        yield Defect(missing, "only one coordinate is given", "both lat and lon, or neither")
    for pointer, degrees, most in (("/lat", lat, 90), ("/lon", lon, 180)):
        if degrees is not None and not (math.isfinite(degrees) and abs(degrees) <= most):
            yield Defect(pointer, f"{degrees} is out of range", f"degrees from {-most} to {most}")
