"""Defects of the fields of properties, controllers and seasons, each with its JSON pointer."""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterable, Iterator
from zoneinfo import available_timezones

from core.clock import FIRST_DAY, LAST_DAY, is_ordinary
from core.problems import Defect, Invalid

_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\ud800-\udfff]")
_CONTROL_IN_LINES = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\ud800-\udfff]")


def refuse_defects(what: str, defects: Iterable[Defect]) -> None:
    """Raise Invalid with all defects, if there are any."""
    if found := tuple(defects):
        raise Invalid(f"The {what} does not fit.", defects=found)


def name_defects(pointer: str, text: str, most: int) -> Iterator[Defect]:
    """A name has to say something."""
    if not text.strip():
        yield Defect(pointer, "this is blank", f"text of 1 to {most} characters")
    yield from line_defects(pointer, text, most)


def line_defects(pointer: str, text: str, most: int) -> Iterator[Defect]:
    """Text on one line, which may be empty."""
    yield from _text_defects(pointer, text, most, _CONTROL)


def lines_defects(pointer: str, text: str, most: int) -> Iterator[Defect]:
    """Text on several lines, which may be empty."""
    yield from _text_defects(pointer, text, most, _CONTROL_IN_LINES)


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


def _text_defects(
    pointer: str, text: str, most: int, unwanted: re.Pattern[str]
) -> Iterator[Defect]:
    if len(text) > most:
        yield Defect(pointer, f"this has {len(text)} characters", f"at most {most}")
    if unwanted.search(text):
        yield Defect(pointer, "this holds control characters", "text without them")
