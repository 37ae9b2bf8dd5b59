"""Rows of paths as the statistics take them: tallies of places, with clocks of energised time.

A snapshot is of what was known at a moment: revisions of maps, events that had come in, findings
that stood, seasons that were set by then. So one of the same moment is the same for good, whatever
came later. Ten queries for any number of paths.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from django.db.models import Q

from faults.models.event import EventKind, FaultEvent
from faults.models.trace import Finding
from faults.recurrence.checked import Floats
from faults.recurrence.exposure import Span, Spans, State
from faults.recurrence.path_tally import (
    CameFrom,
    FailedAt,
    MapVersion,
    Tallied,
    tally_path,
)
from faults.recurrence.state_clock import StateClock
from faults.recurrence.trouble import DEVICE, SEGMENT, SPLICE
from sites.models.controller import Season
from sites.models.device import Device, Node, Segment
from sites.models.map_row import RowKind, RowLineage
from sites.models.wire_path import PathRevision, WirePath

DAY_S = 86400.0
KIND_WORDS = ("splice", "segment", "device")
"""The words of the forms for the kinds of places, by number."""

_ROW_KINDS = {RowKind.NODE: SPLICE, RowKind.SEGMENT: SEGMENT, RowKind.DEVICE: DEVICE}
_FAR_DAY = 60_000.0
WEATHER = (EventKind.RAIN, EventKind.LIGHTNING)
SWITCHED = (EventKind.ENERGISED, EventKind.OFF)


@dataclass(frozen=True, slots=True)
class Ground:
    """How long rain keeps the ground wet and lightning counts as storm, in days; rain of less than
    ``wet_from_mm`` wets nothing, rain of unknown depth does."""

    wet_days: float = 3.0
    storm_days: float = 1.0
    wet_from_mm: float = 2.0


@dataclass(frozen=True, slots=True)
class PathHistory:
    """A path's tally with the clock it is read by. ``links``: places that touch, as pairs of kind
    and code of the newest map; ``failed``: places with the days of their failures, in the order of
    time; ``findings``: the findings that tell of them, by public id."""

    path: int
    tallied: Tallied
    clock: StateClock
    links: tuple[tuple[tuple[int, str], tuple[int, str]], ...]
    failed: tuple[tuple[tuple[int, str], float], ...]
    findings: tuple[str, ...]


def day_of(at: dt.datetime) -> float:
    """A moment as days since 1970 began (UTC)."""
    return at.timestamp() / DAY_S


def moment_of(day: float) -> dt.datetime:
    """The moment so many days after 1970 began (UTC)."""
    return dt.datetime.fromtimestamp(day * DAY_S, dt.UTC)


def path_histories(
    paths: Collection[int], as_of: dt.datetime, ground: Ground | None = None
) -> list[PathHistory]:
    """Histories of paths of the contractor in scope, by primary key, as known at a moment.

    A path whose map came later is left out.
    """
    rows = _Rows(sorted(paths), as_of, ground or Ground())
    return [rows.history(path) for path in sorted(paths) if len(rows.revisions[path])]


class _Rows:
    """The rows of some paths, read at once."""

    def __init__(self, paths: list[int], as_of: dt.datetime, ground: Ground) -> None:
        self._paths, self._as_of, self._ground = paths, as_of, ground
        self._of = {
            pk: (controller, place, zone, ended)
            for pk, controller, place, zone, ended in WirePath.objects.filter(
                pk__in=paths
            ).values_list(
                "pk",
                "controller",
                "controller__property",
                "controller__property__time_zone",
                "ended_at",
            )
        }
        self.revisions: dict[int, list[float]] = defaultdict(list)
        made = PathRevision.objects.filter(path__in=paths, at__lte=as_of)
        for path, at in made.order_by("path", "number").values_list("path", "at"):
            self.revisions[path].append(day_of(at))
        self._versions: dict[int, list[MapVersion]] = defaultdict(list)
        self._links: dict[int, list[tuple[tuple[int, str], tuple[int, str]]]] = defaultdict(list)
        self._read_maps()
        self._came: dict[int, list[CameFrom]] = defaultdict(list)
        lineage = RowLineage.objects.filter(path__in=paths).order_by("pk")
        for path, number, kind, old, new in lineage.values_list(
            "path", "revision", "kind", "old_code", "new_code"
        ):
            if number <= len(self.revisions[path]):
                self._came[path].append(CameFrom(number, _ROW_KINDS[RowKind(kind)], old, new))
        self._failed = findings_by_path(paths, as_of)
        self._read_events()
        self._read_seasons()

    def _read_maps(self) -> None:
        own = ("path", "code", "pk", "from_revision", "to_revision")
        nodes = Node.objects.exclude(kind="controller").filter(path__in=self._paths)
        for path, code, pk, first, last in nodes.order_by("path", "pk").values_list(*own):
            self._keep(path, SPLICE, code, pk, 1.0, first, last)
        cables = Segment.objects.filter(path__in=self._paths).order_by("path", "pk")
        for path, code, pk, first, last, length_m, *ends in cables.values_list(
            *own, "length_m", "from_code", "to_code"
        ):
            if self._keep(path, SEGMENT, code, pk, length_m, first, last):
                self._links[path] += [((SEGMENT, code), (SPLICE, end)) for end in ends]
        devices = Device.objects.filter(path__in=self._paths).order_by("path", "pk")
        for path, code, pk, first, last, node in devices.values_list(*own, "node_code"):
            if self._keep(path, DEVICE, code, pk, 1.0, first, last):
                self._links[path].append(((DEVICE, code), (SPLICE, node)))

    def _keep(  # noqa: PLR0913 - the columns of a row, read a million times
        self,
        path: int,
        kind: int,
        code: str,
        pk: int,
        amount: float,
        first: int,
        last: int | None,
        /,
    ) -> bool:
        """Keep a row that was there by then; whether it was on the map still."""
        known = len(self.revisions[path])
        if first > known:
            return False
        ended = last if last is not None and last <= known else None
        self._versions[path].append(MapVersion(kind, code, pk, amount, first, ended))
        return ended is None

    def _read_events(self) -> None:
        """Weather belongs to a property, switching to what it was told of and all beneath."""
        places = {place for _, place, _, _ in self._of.values()}
        told = FaultEvent.objects.filter(
            property__in=places, received_at__lte=self._as_of, at__lte=self._as_of
        )
        self._wet: dict[int, list[Span]] = defaultdict(list)
        self._storm: dict[int, list[Span]] = defaultdict(list)
        weather = told.filter(kind__in=WEATHER).order_by("property", "at", "pk")
        for place, kind, at, rain_mm in weather.values_list("property", "kind", "at", "rain_mm"):
            day = day_of(at)
            if kind == EventKind.LIGHTNING:
                self._storm[place].append((day, day + self._ground.storm_days))
            elif rain_mm is None or rain_mm >= self._ground.wet_from_mm:
                self._wet[place].append((day, day + self._ground.wet_days))
        self._switched: dict[tuple[str, int], list[tuple[float, bool]]] = defaultdict(list)
        switched = told.filter(kind__in=SWITCHED).order_by("at", "pk")
        for path, controller, place, kind, at in switched.values_list(
            "path", "controller", "property", "kind", "at"
        ):
            beneath = (("path", path), ("controller", controller), ("property", place))
            key = next(one for one in beneath if one[1])
            self._switched[key].append((day_of(at), kind == EventKind.ENERGISED))

    def _read_seasons(self) -> None:
        controllers = {controller for controller, _, _, _ in self._of.values()}
        zones = {controller: zone for controller, _, zone, _ in self._of.values()}
        self._seasons: dict[int, list[Span]] = defaultdict(list)
        rows = Season.objects.filter(
            Q(withdrawn_at__isnull=True) | Q(withdrawn_at__gt=self._as_of),
            controller__in=controllers,
            created_at__lte=self._as_of,
        )
        for controller, first, last in rows.order_by("pk").values_list(
            "controller", "starts_on", "ends_on"
        ):
            zone = zones[controller]
            span = (_local_day(first, zone), _local_day(last + dt.timedelta(days=1), zone))
            self._seasons[controller].append(span)

    def history(self, path: int) -> PathHistory:
        """One path's."""
        _, place, _, _ = self._of[path]
        clock = StateClock.of(
            self._energised(path), Spans.of(self._wet[place]), Spans.of(self._storm[place])
        )
        revisions = np.array(self.revisions[path])
        tallied = tally_path(
            self._versions[path],
            self._came[path],
            revisions,
            [
                FailedAt(kind, code, at, _state_at(clock, at))
                for kind, code, at, _ in self._failed.get(path, ())
            ],
            clock,
        )
        failed = tuple(((kind, code), at) for kind, code, at, _ in self._failed.get(path, ()))
        findings = tuple(finding for *_, finding in self._failed.get(path, ()))
        return PathHistory(path, tallied, clock, tuple(self._links[path]), failed, findings)

    def _energised(self, path: int) -> Spans:
        """Watched from the first map on, within seasons where some are set, less what was off."""
        controller, place, _, ended = self._of[path]
        stop = day_of(ended) if ended is not None and ended <= self._as_of else _FAR_DAY
        on = Spans.of([(self.revisions[path][0], max(stop, self.revisions[path][0]))])
        if self._seasons[controller]:
            on = on.within(Spans.of(self._seasons[controller]))
        keys = (("path", path), ("controller", controller), ("property", place))
        switched = sorted(one for key in keys for one in self._switched.get(key, ()))
        return on.without(Spans.of(_off_spans(switched))) if switched else on


def failures_by_path(
    paths: Iterable[int], as_of: dt.datetime
) -> dict[int, list[tuple[int, str, float]]]:
    """Proved findings that stood at a moment, as kind, code and day, in the order of time."""
    told = findings_by_path(paths, as_of)
    return {path: [(kind, code, day) for kind, code, day, _ in own] for path, own in told.items()}


def findings_by_path(
    paths: Iterable[int], as_of: dt.datetime
) -> dict[int, list[tuple[int, str, float, str]]]:
    """The same with the public id of each."""
    found: dict[int, list[tuple[int, str, float, str]]] = defaultdict(list)
    for path, at, made_at, public_id in (
        standing_findings(as_of)
        .filter(trace__path__in=paths)
        .values_list("trace__path", "at", "made_at", "public_id")
    ):
        place = place_of(at)
        if place is not None:
            found[path].append((*place, day_of(made_at), public_id))
    return found


def standing_findings(as_of: dt.datetime) -> Any:
    """Findings that were proved by then and not superseded yet, in the order of time."""
    return Finding.objects.filter(
        Q(superseded_at__isnull=True) | Q(superseded_at__gt=as_of), proved=True, made_at__lte=as_of
    ).order_by("made_at", "pk")


def place_of(at: dict[str, Any]) -> tuple[int, str] | None:
    """A place on the map in the words of the forms as kind and code; None for another."""
    for kind, word in enumerate(KIND_WORDS):
        if word in at:
            return kind, str(at[word])
    return None


def _state_at(clock: StateClock, day: float) -> int:
    """The state of the ground at a time; dry while the path stood."""
    place = int(np.searchsorted(clock.edges, day, side="right")) - 1
    return max(int(clock.state[place]), int(State.DRY)) if place >= 0 else int(State.DRY)


def _off_spans(switched: list[tuple[float, bool]]) -> list[Span]:
    """From each switching off to the next on."""
    spans: list[Span] = []
    off: float | None = None
    for day, is_on in switched:
        if is_on and off is not None:
            spans.append((off, day))
            off = None
        elif not is_on and off is None:
            off = day
    return spans if off is None else [*spans, (off, _FAR_DAY)]


def _local_day(day: dt.date, zone: str) -> float:
    return day_of(dt.datetime.combine(day, dt.time(), ZoneInfo(zone)))


def clock_reading(clock: StateClock, as_of: dt.datetime) -> Floats:
    """A clock's reading by state at a moment, shape (3,)."""
    found: Floats = clock.at([day_of(as_of)])[0]
    return found
