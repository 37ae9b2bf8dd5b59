"""A day of a plan drawn: crews' hours and visits along a line of time, and their ways on a map.

Lengths are units of the drawing's own view box; nothing here asks the database.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any
from zoneinfo import ZoneInfo

from faults.dispatch.shifts import EPOCH, MINUTE
from faults.models.dispatch import PlannedVisit

Document = dict[str, Any]

LEFT, WIDTH, TOP, ROW = 150.0, 1000.0, 30.0, 64.0
LETTER = 7.4
"""Units that a letter of a label is wide, at most."""
MAP_WIDTH, MAP_HEIGHT, MAP_EDGE = 1000.0, 520.0, 50.0
KM_PER_DEG = 111.195
LABEL_DX, LABEL_DY, LABEL_LINE, LABEL_LETTER = 14.0, 5.0, 20.0, 9.5
DASHES = ("", "14 6", "3 5", "14 5 3 5", "22 6", "6 6")
"""Ways are told apart by their pattern and the name beside them, not by colour."""
_SCALES_KM = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500)


@dataclass(frozen=True, slots=True)
class Span:
    """From where, how wide."""

    x: float
    width: float


@dataclass(frozen=True, slots=True)
class Block:
    """A visit in a crew's row; ``label`` is as much of ``full`` as fits. ``after``: the visit
    before it in its shift, empty for none."""

    visit: PlannedVisit
    number: int
    span: Span
    drive: Span
    head: str
    label: str
    full: str
    after: str
    shift: int
    is_late: bool


@dataclass(frozen=True, slots=True)
class Row:
    """A crew's day."""

    crew: str
    name: str
    y: float
    shifts: tuple[Span, ...]
    rests: tuple[Span, ...]
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Tick:
    """An hour."""

    x: float
    text: str


@dataclass(frozen=True, slots=True)
class Timeline:
    """All rows of a day, its hours, and how high they are together."""

    rows: tuple[Row, ...]
    ticks: tuple[Tick, ...]
    height: float
    width: float = LEFT + WIDTH + 24.0


@dataclass(frozen=True, slots=True)
class DayPart:
    """What one local day of a plan holds: routes that begin in it and their rows of visits."""

    day: dt.date
    zone: ZoneInfo
    routes: tuple[Document, ...]
    crews: tuple[Document, ...]
    visits: dict[str, PlannedVisit]

    def holds(self, minute: int) -> bool:
        """Whether a minute of the plan lies in the day."""
        return moment(minute).astimezone(self.zone).date() == self.day


def moment(minute: int) -> dt.datetime:
    """The moment of a minute of a plan."""
    return EPOCH + minute * MINUTE


def timeline(part: DayPart, names: dict[str, str], labels: dict[str, str]) -> Timeline:
    """The day drawn. ``names`` of crews by id, ``labels`` of visits by name."""
    first, last = _bounds(part)
    scale = WIDTH / (last - first)

    def span(start: int, stop: int) -> Span:
        start, stop = max(start, first), min(stop, last)
        width = max(stop - start, 0) * scale
        return Span(round(LEFT + (start - first) * scale, 1), round(width, 1))

    by_crew: dict[str, list[Document]] = {}
    for route in part.routes:
        by_crew.setdefault(route["crew"], []).append(route)
    rows = []
    for number, crew in enumerate(part.crews):
        own = by_crew.get(crew["name"], [])
        shifts = [one for one in crew["shifts"] if part.holds(one["start_min"])]
        rows.append(
            Row(
                crew=crew["name"],
                name=names.get(crew["name"], ""),
                y=TOP + number * ROW,
                shifts=tuple(span(one["start_min"], one["stop_min"]) for one in shifts),
                rests=tuple(
                    span(rest["start_min"], rest["stop_min"]) for r in own for rest in r["rests"]
                ),
                blocks=tuple(_blocks(own, part, labels, span)),
            )
        )
    ticks = tuple(
        Tick(round(LEFT + (minute - first) * scale, 1), f"{_hour(minute, part.zone)}")
        for minute in range(first, last + 1, 60 if last - first <= 1000 else 120)
    )
    return Timeline(tuple(rows), ticks, TOP + len(rows) * ROW + 6)


def _hour(minute: int, zone: ZoneInfo) -> str:
    return f"{moment(minute).astimezone(zone):%H:%M}"


def _bounds(part: DayPart) -> tuple[int, int]:
    """Whole hours around all shifts and routes of the day."""
    spans = [
        (shift["start_min"], shift["stop_min"])
        for crew in part.crews
        for shift in crew["shifts"]
        if part.holds(shift["start_min"])
    ]
    spans += [(route["start_min"], route["back_min"]) for route in part.routes]
    if not spans:
        eight = dt.datetime.combine(part.day, dt.time(8), part.zone)
        start = int((eight - EPOCH) / MINUTE)
        return start, start + 600
    first = min(start for start, _ in spans) // 60 * 60
    return first, -(-max(stop for _, stop in spans) // 60) * 60


def _blocks(
    routes: Sequence[Document], part: DayPart, labels: dict[str, str], span: Any
) -> Iterable[Block]:
    number = 0
    for route in routes:
        after = ""
        for stop in route["stops"]:
            number += 1
            box = span(stop["start_min"], stop["finish_min"])
            visit = part.visits[stop["visit"]]
            begins = _hour(stop["start_min"], part.zone)
            fits = max(int((box.width - 12) / LETTER), 0)
            by = visit.call.promised_by if visit.call is not None else None
            yield Block(
                visit=visit,
                number=number,
                span=box,
                drive=span(stop["start_min"] - stop["drive_min"], stop["start_min"]),
                head=f"{number} {begins}" if fits > len(begins) + 1 else str(number),
                label=_cut(labels.get(stop["visit"], ""), fits),
                full=labels.get(stop["visit"], ""),
                after=after,
                shift=route["shift"],
                is_late=by is not None and visit.starts_at > by,
            )
            after = stop["visit"]


def _cut(text: str, letters: int) -> str:
    return text if len(text) <= letters else f"{text[: max(letters - 1, 0)]}…"


@dataclass(frozen=True, slots=True)
class Spot:
    """A place on the map: numbers in the crew's day, or none for one that is left out; the
    label's line is moved by ``dy`` off those of its neighbours."""

    x: float
    y: float
    text: str
    label: str
    dy: float = LABEL_DY

    @property
    def anchor(self) -> str:
        """The label stands to the right, near the right edge to the left."""
        return "end" if self.x > MAP_WIDTH * 0.65 else "start"

    @property
    def dx(self) -> float:
        """How far beside."""
        return -LABEL_DX if self.anchor == "end" else LABEL_DX

    @property
    def label_span(self) -> tuple[float, float]:
        """From where to where the label goes, at most."""
        start = self.x + self.dx
        width = LABEL_LETTER * len(f"{self.text} {self.label}")
        return (start - width, start) if self.anchor == "end" else (start, start + width)


@dataclass(frozen=True, slots=True)
class Way:
    """A crew's way from its base and back."""

    points: str
    dash: str
    spots: tuple[Spot, ...]


@dataclass(frozen=True, slots=True)
class DayMap:
    """Ways, what is left out, bases, and a bar of so many kilometres."""

    ways: tuple[Way, ...]
    left_out: tuple[Spot, ...]
    bases: tuple[Spot, ...]
    bar: float
    bar_km: float
    width: float = MAP_WIDTH
    height: float = MAP_HEIGHT


LatLon = tuple[float, float]


def day_map(
    part: DayPart,
    names: dict[str, str],
    bases: dict[str, LatLon],
    places: dict[str, tuple[str, LatLon]],
    left_out: Sequence[str],
) -> DayMap | None:
    """The day's ways, north up. ``bases`` by crew, ``places``: a visit's label and where it is.

    None where nothing has a place. Flat about the middle latitude, which is right to a part in a
    thousand over a town.
    """
    shown = [one for one in left_out if one in places]
    points = [*bases.values(), *(where for _, where in places.values())]
    if not points:
        return None
    put, km_per_unit = _projection(points)
    ways: list[tuple[str, str, list[Spot]]] = []
    for route in part.routes:
        name, home = names.get(route["crew"], ""), bases.get(route["crew"])
        stops = [one["visit"] for one in route["stops"] if one["visit"] in places]
        ends = [put(home)] if home else []
        line = [*ends, *(put(places[visit][1]) for visit in stops), *ends]
        if stops:
            text = " ".join(f"{x},{y}" for x, y in line)
            ways.append((name, text, _spots(name, stops, places, put)))
    outside = [_spot(put(places[name][1]), places[name][0]) for name in shown]
    homes = [_spot(put(where), names.get(crew, "")) for crew, where in bases.items()]
    apart = iter(_labels_apart([*homes, *outside, *(s for _, _, own in ways for s in own)]))
    homes, outside = [next(apart) for _ in homes], [next(apart) for _ in outside]
    drawn = tuple(
        Way(text, DASHES[number % len(DASHES)], tuple(next(apart) for _ in own))
        for number, (_, text, own) in enumerate(ways)
    )
    longest = max(one for one in _SCALES_KM if one / km_per_unit <= MAP_WIDTH / 3)
    return DayMap(drawn, tuple(outside), tuple(homes), round(longest / km_per_unit, 1), longest)


def _spots(
    crew: str, stops: Sequence[str], places: dict[str, tuple[str, LatLon]], put: Any
) -> list[Spot]:
    """A crew's places, each once with the numbers of its visits."""
    numbers: dict[LatLon, list[str]] = {}
    labels: dict[LatLon, str] = {}
    for count, name in enumerate(stops, 1):
        label, where = places[name]
        numbers.setdefault(where, []).append(str(count))
        labels[where] = label
    found: list[Spot] = []
    for where, own in numbers.items():
        x, y = put(where)
        words = labels[where] if found else f"{crew}: {labels[where]}"
        found.append(Spot(x, y, ", ".join(own), words))
    return found


def _labels_apart(spots: Sequence[Spot]) -> list[Spot]:
    """The spots in their order, labels moved down where they would lie on another's."""
    taken: list[tuple[float, float, float]] = []
    moved = {}
    for number in sorted(range(len(spots)), key=lambda n: (spots[n].y, spots[n].x)):
        spot, dy = spots[number], LABEL_DY
        start, stop = spot.label_span
        while any(
            start < right and left < stop and abs(spot.y + dy - y) < LABEL_LINE
            for left, right, y in taken
        ):
            dy += LABEL_LINE / 2
        taken.append((start, stop, spot.y + dy))
        moved[number] = replace(spot, dy=dy)
    return [moved[number] for number in range(len(spots))]


def _spot(at: tuple[float, float], label: str) -> Spot:
    return Spot(at[0], at[1], "", label)


def _projection(points: Sequence[LatLon]) -> tuple[Any, float]:
    """What puts a place on the map, and kilometres per unit."""
    lats, lons = [p[0] for p in points], [p[1] for p in points]
    middle = (min(lats) + max(lats)) / 2.0
    shrink = max(math.cos(math.radians(middle)), 0.01)
    wide_km = (max(lons) - min(lons)) * shrink * KM_PER_DEG
    high_km = (max(lats) - min(lats)) * KM_PER_DEG
    room = (MAP_WIDTH - 2 * MAP_EDGE, MAP_HEIGHT - 2 * MAP_EDGE)
    per_unit = max(wide_km / room[0], high_km / room[1], 0.001)
    left = (MAP_WIDTH - wide_km / per_unit) / 2.0
    top = (MAP_HEIGHT - high_km / per_unit) / 2.0

    def put(place: LatLon) -> tuple[float, float]:
        x = left + (place[1] - min(lons)) * shrink * KM_PER_DEG / per_unit
        y = top + (max(lats) - place[0]) * KM_PER_DEG / per_unit
        return round(x, 1), round(y, 1)

    return put, per_unit
