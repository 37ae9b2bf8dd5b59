"""Reading how urgent calls are: stations without water, times hours."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from django.db.models import Q, QuerySet

from core.clock import now
from faults.models.call import CallKind, FaultCall
from faults.models.work import PartialRestore
from faults.station_hours import DryFrom, Dryness, PathStations, dryness, path_stations
from sites.models.controller import Season
from sites.models.device import Device


def call_dryness(calls: Sequence[FaultCall]) -> dict[int, Dryness]:
    """Stations dry now and stations × hours since the fault was first seen, by the call's primary
    key: three queries, however many calls.

    Until a partial restore all stations of the path count, or those told to be dry; from it on,
    those it lost, outputs without a station number too. A call whose path is not known counts the
    stations told. On a day out of the season of its controller none is dry; where neither path nor
    controller is known it counts as watered. Hours run on by night and out of season: a fault that
    is old is old.
    """
    stations = _stations_of_paths({call.path_id for call in calls if call.path_id is not None})
    restores: dict[int, list[PartialRestore]] = defaultdict(list)
    for restore in PartialRestore.objects.filter(call__in=calls).order_by("pk"):
        restores[restore.call_id].append(restore)
    at = now()
    waters = _Waters.of(calls, at)
    found = {}
    for call in calls:
        spans = _spans(call, stations.get(call.path_id or 0, PathStations()), restores[call.pk])
        dry = dryness(spans, call.closed_at or at)
        found[call.pk] = dry if waters.at(call) else dry.at_rest()
    return found


@dataclass(frozen=True)
class _Waters:
    """Which paths and controllers have seasons, by primary key, and whether one holds today."""

    paths: dict[int, bool]
    controllers: dict[int, bool]

    @staticmethod
    def of(calls: Sequence[FaultCall], at: dt.datetime) -> _Waters:
        """Of these calls, on the day that it is at their properties: one query."""
        found = _Waters({}, {})
        on_path = Q(controller__paths__in={call.path_id for call in calls})
        at_controller = Q(controller__in={call.controller_id for call in calls})
        rows = Season.objects.filter(on_path | at_controller, withdrawn_at__isnull=True)
        columns = ("starts_on", "ends_on", "controller__property__time_zone")
        for path, controller, start, end, zone in rows.values_list(
            "controller__paths", "controller", *columns
        ):
            holds = start <= at.astimezone(ZoneInfo(zone)).date() <= end
            found.controllers[controller] = found.controllers.get(controller, False) or holds
            if path is not None:
                found.paths[path] = found.paths.get(path, False) or holds
        return found

    def at(self, call: FaultCall) -> bool:
        """Whether where a call is about is watered; without seasons it is, all year."""
        if call.path_id is not None:
            return self.paths.get(call.path_id, True)
        return self.controllers.get(call.controller_id or 0, True)


def unnumbered_outputs(path_id: int, codes: Iterable[str]) -> int:
    """How many outputs without a station number these devices of a path have: one query."""
    rows = _decoders({path_id}).filter(code__in=set(codes))
    return path_stations(rows.values_list("stations", "outputs")).unnumbered


def _decoders(path_ids: set[int]) -> QuerySet[Device]:
    return Device.objects.filter(path__in=path_ids, to_revision__isnull=True, kind="decoder")


def _stations_of_paths(path_ids: set[int]) -> dict[int, PathStations]:
    rows = _decoders(path_ids)
    found: dict[int, list[tuple[list[int] | None, int | None]]] = defaultdict(list)
    for path_id, numbers, outputs in rows.values_list("path_id", "stations", "outputs"):
        found[path_id].append((numbers, outputs))
    return {path_id: path_stations(devices) for path_id, devices in found.items()}


def _spans(
    call: FaultCall, stations: PathStations, restores: Sequence[PartialRestore]
) -> list[DryFrom]:
    told = len(set(call.dry_stations))
    first = told if call.kind == CallKind.STATIONS or not stations.count else stations.count
    spans = [DryFrom(call.opened_at, first)]
    for restore in restores:
        lost = 0 if restore.all_on else len(restore.stations_lost) + restore.unnumbered_lost
        spans.append(DryFrom(_after(spans[-1], restore.at), lost))
    if call.closed_at is not None:
        spans.append(DryFrom(_after(spans[-1], call.closed_at), 0))
    return spans


def _after(span: DryFrom, at: dt.datetime) -> dt.datetime:
    return max(span.at, at)
