"""What happened on the invented properties in two years: weather, digging, and faults.

Planned from a seed and the day it ends on, without a database. Three stretches fail again and
again; all other faults lie scattered. Figures are trade judgement ("common practice, no source").
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np

from demo.laying import SEED, LaidPath
from demo.lost_visits import FOR_NOTHING, LostVisit, visits_before
from demo.places import PROPERTIES, TIME_ZONE, TROUBLE_STRETCHES, PropertyPlan
from sites.network.faults import Fault, Place

YEARS = 2
TROUBLE_FAULTS = 6
SCATTERED_FAULTS = 18
COME_AND_GO = 3
"""So many of the scattered faults show now and then alone, as where water gets in and dries."""
APART_DAYS = 9
"""A path has one fault at a time, and a few quiet days before the next."""

STRETCH_FIRST, STRETCH_NODES = 3, 6
"""Which nodes of its run a trouble stretch takes up, counted from 0, and how many."""

_STORM_MONTHS = (6, 7, 8, 9)
_RAIN_CHANCE = 0.09
_DIGGING_NOTES = (
    "Trench for a cable beside the path.",
    "Fence posts set along the edge.",
    "Tree stumps taken out.",
    "Drain laid across the lawn.",
)
_KIND_SHARES = (0.45, 0.35, 0.20)


@dataclass(frozen=True)
class PlannedFault:
    """A short that comes at a moment; ``present``: how far its story has come today."""

    label: str
    fault: Fault
    at: dt.datetime
    after: Literal["rain", "lightning", "digging", ""] = ""
    in_stretch: str = ""
    present: Literal["closed", "reported", "half-way"] = "closed"


@dataclass(frozen=True)
class PlannedEvent:
    """Something that was reported of a property, or, with a ``label``, of one path of it."""

    property_id: str
    kind: Literal["rain", "lightning", "digging", "energised", "off"]
    at: dt.datetime
    label: str = ""
    rain_mm: float | None = None
    note: str = ""


@dataclass(frozen=True)
class History:
    """Events and faults, each in the order of time; visits that proved nothing."""

    events: tuple[PlannedEvent, ...]
    faults: tuple[PlannedFault, ...]
    visits: tuple[LostVisit, ...] = ()


def history_plan(laid: dict[str, LaidPath], until: dt.datetime) -> History:
    """Two years up to ``until``; ``laid`` by the path's label."""
    rng = np.random.default_rng([SEED, 2])
    since = until - dt.timedelta(days=365 * YEARS)
    events = [*_weather(rng, since, until), *_works(rng, since, until)]
    wet = sorted({event.at.date() for event in events if event.kind == "rain"})
    planner = _Faults(rng, laid, since, until)
    for label, run in TROUBLE_STRETCHES:
        planner.trouble(label, run, wet)
    planner.scattered(SCATTERED_FAULTS - COME_AND_GO, show_chance=1.0)
    planner.scattered(COME_AND_GO, show_chance=0.4)
    planner.present()
    return History(
        events=tuple(sorted(events, key=lambda event: (event.at, event.property_id))),
        faults=tuple(sorted(planner.faults, key=lambda fault: fault.at)),
        visits=tuple(planner.visits(np.random.default_rng([SEED, 6]))),
    )


def stretch_nodes(laid: LaidPath, run: str) -> tuple[str, ...]:
    """The nodes of a run that make up its trouble stretch."""
    return laid.runs[run][STRETCH_FIRST : STRETCH_FIRST + STRETCH_NODES]


def stretch_places(laid: LaidPath, run: str) -> tuple[Place, ...]:
    """The splices of a trouble stretch and the cables between them, along the run."""
    nodes = stretch_nodes(laid, run)
    cables = {
        frozenset((segment.from_node, segment.to_node)): segment.id
        for segment in laid.path.segments
    }
    places = [Place("splice", nodes[0])]
    for before, here in pairwise(nodes):
        places += [Place("segment", cables[frozenset((before, here))]), Place("splice", here)]
    return tuple(places)


def waters(plan: PropertyPlan, day: dt.date) -> bool:
    """Whether the property's controllers water on this day."""
    return plan.season[0] <= (day.month, day.day) <= plan.season[1]


class _Faults:
    """Faults of all paths, never two on a path at a time."""

    def __init__(
        self,
        rng: np.random.Generator,
        laid: dict[str, LaidPath],
        since: dt.datetime,
        until: dt.datetime,
    ) -> None:
        self._rng = rng
        self._laid = laid
        self._since = since
        self._until = until
        self._plans = {one.path.label: plan for plan in PROPERTIES for one in plan.controllers}
        self.faults: list[PlannedFault] = []

    def trouble(self, label: str, run: str, wet: Sequence[dt.date]) -> None:
        """Faults of one stretch, most of them after rain; the last place fails a second time, as
        where a repair did not hold."""
        places = stretch_places(self._laid[label], run)
        picks = self._rng.choice(len(places), size=TROUBLE_FAULTS - 1, replace=False)
        chosen = [places[int(pick)] for pick in sorted(picks)]
        for place in [*chosen, chosen[-1]]:
            at = self._moment(label, wet)
            self._add(label, place, at, after="rain", in_stretch=run)

    def scattered(self, count: int, *, show_chance: float) -> None:
        """Faults anywhere but on the trouble stretches, more of them on longer paths."""
        labels = sorted(self._laid)
        sizes = np.array([len(self._laid[label].path.devices) for label in labels], dtype=float)
        for _ in range(count):
            label = str(self._rng.choice(labels, p=sizes / sizes.sum()))
            place = self._sound_place(label)
            after: Literal["lightning", ""] = (
                "lightning" if place.kind == "device" and self._rng.uniform() < 0.3 else ""
            )
            at = self._moment(label, ())
            self._add(label, place, at, after=after, show_chance=show_chance)

    def present(self) -> None:
        """Two calls that are open today, on paths that are quiet of late."""
        for label, present, hours in (
            ("Quarry path", "half-way", 30),
            ("Bandstand path", "reported", 9),
        ):
            at = self._until - dt.timedelta(hours=hours)
            self.faults = [
                fault
                for fault in self.faults
                if fault.label != label or at - fault.at > dt.timedelta(days=APART_DAYS)
            ]
            self._add(label, self._sound_place(label), at)
            self.faults[-1] = replace(self.faults[-1], present=present)  # type: ignore[arg-type]

    def visits(self, rng: np.random.Generator) -> list[LostVisit]:
        """Visits that proved nothing; they leave everything else as it was."""
        plain = [
            (fault.label, fault.fault, fault.at)
            for fault in self.faults
            if fault.present == "closed" and fault.fault.show_chance == 1.0
        ]
        found = visits_before(rng, plain)
        self._rng = rng
        labels = sorted(self._laid)
        for _ in range(FOR_NOTHING):
            label = str(rng.choice(labels))
            found.append(LostVisit(label, self._moment(label, ()), "not-present"))
        return found

    def _add(
        self,
        label: str,
        place: Place,
        at: dt.datetime,
        *,
        after: Literal["rain", "lightning", ""] = "",
        in_stretch: str = "",
        show_chance: float = 1.0,
    ) -> None:
        fraction = round(float(self._rng.uniform(0.15, 0.85)), 2)
        ohm = round(float(self._rng.uniform(0.8, 5.0)), 1)
        fault = Fault("short", place, resistance_ohm=ohm, show_chance=show_chance)
        if place.kind == "segment":
            fault = replace(fault, fraction=fraction)
        self.faults.append(PlannedFault(label, fault, at, after, in_stretch))

    def _sound_place(self, label: str) -> Place:
        laid = self._laid[label]
        troubled = {
            place
            for name, run in TROUBLE_STRETCHES
            if name == label
            for place in stretch_places(laid, run)
        }
        kind = str(self._rng.choice(["device", "splice", "segment"], p=_KIND_SHARES))
        rows = {
            "device": [device.id for device in laid.path.devices],
            "splice": [node.id for node in laid.path.nodes if node.kind != "controller"],
            "segment": [segment.id for segment in laid.path.segments],
        }[kind]
        while True:
            place = Place(kind, str(self._rng.choice(rows)))  # type: ignore[arg-type]
            if place not in troubled:
                return place

    def _moment(self, label: str, wet: Sequence[dt.date]) -> dt.datetime:
        """A night of the season in which the path has been sound for some days."""
        first, last = self._since.date(), self._until.date() - dt.timedelta(days=APART_DAYS)
        while True:
            if wet:
                day = wet[int(self._rng.integers(len(wet)))]
                day += dt.timedelta(days=int(self._rng.integers(1, 3)))
            else:
                day = first + dt.timedelta(days=int(self._rng.integers((last - first).days)))
            if not first + dt.timedelta(days=20) < day < last:
                continue
            at = _local(day, float(self._rng.uniform(2.0, 6.0)))
            others = (fault.at for fault in self.faults if fault.label == label)
            quiet = all(abs(at - other) > dt.timedelta(days=APART_DAYS) for other in others)
            if quiet and waters(self._plans[label], day):
                return at


def _weather(
    rng: np.random.Generator, since: dt.datetime, until: dt.datetime
) -> Iterator[PlannedEvent]:
    """Rain falls on all properties, on each as much as chance will; storms on one or two."""
    day = since.date() + dt.timedelta(days=8)
    while day < until.date():
        if rng.uniform() < _RAIN_CHANCE:
            rain_mm = 4.0 + float(rng.exponential(9.0))
            for plan in PROPERTIES:
                here_mm = round(rain_mm * float(rng.uniform(0.7, 1.3)), 1)
                at = _local(day, float(rng.uniform(5.0, 9.0)))
                yield PlannedEvent(plan.external_id, "rain", at, rain_mm=here_mm)
        if day.month in _STORM_MONTHS and rng.uniform() < 0.05:
            plan = PROPERTIES[int(rng.integers(len(PROPERTIES)))]
            at = _local(day, float(rng.uniform(15.0, 21.0)))
            yield PlannedEvent(plan.external_id, "lightning", at, note="Thunderstorm overhead.")
        day += dt.timedelta(days=1)


def _works(
    rng: np.random.Generator, since: dt.datetime, until: dt.datetime
) -> Iterator[PlannedEvent]:
    """Digging now and then, and the paths switched on and off with the season."""
    for plan in PROPERTIES:
        for _ in range(3):
            day = since.date() + dt.timedelta(days=int(rng.integers(30, 365 * YEARS - 5)))
            note = _DIGGING_NOTES[int(rng.integers(len(_DIGGING_NOTES)))]
            at = _local(day, float(rng.uniform(8.0, 15.0)))
            yield PlannedEvent(plan.external_id, "digging", at, note=note)
        for year in range(since.year, until.year + 1):
            for kind, (month, day_of_month) in zip(("energised", "off"), plan.season, strict=True):
                at = _local(dt.date(year, month, day_of_month), 9.0)
                if since + dt.timedelta(days=8) < at < until:
                    for one in plan.controllers:
                        yield PlannedEvent(plan.external_id, kind, at, label=one.path.label)  # type: ignore[arg-type]


def _local(day: dt.date, hour: float) -> dt.datetime:
    """A moment of a day where the properties lie, in UTC."""
    start = dt.datetime.combine(day, dt.time(), ZoneInfo(TIME_ZONE))
    return (start + dt.timedelta(minutes=round(hour * 60))).astimezone(dt.UTC)
