"""How long how many stations have been without water: what makes a call urgent."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class DryFrom:
    """From ``at`` on so many stations are without water, until the next."""

    at: dt.datetime
    stations: int


@dataclass(frozen=True, slots=True)
class Dryness:
    """Stations without water now, and stations × hours so far. ``out_of_season``: stations that
    would be without water now if their controller watered on this day."""

    stations: int
    station_hours: float
    out_of_season: int = 0

    def at_rest(self) -> Dryness:
        """The same while nothing is watered: no station lacks anything."""
        return Dryness(0, self.station_hours, self.stations)


@dataclass(frozen=True, slots=True)
class PathStations:
    """The stations on a path: those with numbers, and how many outputs have none on the map."""

    numbers: frozenset[int] = frozenset()
    unnumbered: int = 0

    @property
    def count(self) -> int:
        """All of them."""
        return len(self.numbers) + self.unnumbered


def path_stations(devices: Iterable[tuple[list[int] | None, int | None]]) -> PathStations:
    """The stations of devices, each with its list of numbers and its count of outputs."""
    numbers: set[int] = set()
    unnumbered = 0
    for stations, outputs in devices:
        if stations:
            numbers.update(stations)
        else:
            unnumbered += outputs or 1
    return PathStations(frozenset(numbers), unnumbered)


def dryness(spans: Sequence[DryFrom], until: dt.datetime) -> Dryness:
    """Stations dry at the end of these spans, which are in order of time, and the sum over them."""
    if not spans:
        return Dryness(0, 0.0)
    ends = [*(span.at for span in spans[1:]), until]
    total = 0.0
    for span, end in zip(spans, ends, strict=True):
        total += span.stations * max((end - span.at).total_seconds(), 0.0) / 3600.0
    return Dryness(spans[-1].stations, total)
