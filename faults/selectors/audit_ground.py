"""What lay in the ground of all paths and when, and the map of those that are looked at."""

from __future__ import annotations

import datetime as dt
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Any

from django.db.models import Count, F, Sum

from faults.audit.records import (
    DEVICE,
    SEGMENT,
    SPLICE,
    At,
    Facts,
    Ground,
    MapCable,
    MapDevice,
    MapNode,
    PathMap,
)
from faults.history_snapshot import day_of
from sites.models.device import Device, Node, Segment
from sites.models.wire_path import PathRevision, WirePath

_KINDS = {"splice": SPLICE, "segment": SEGMENT, "device": DEVICE, "unmapped": "unmapped"}


def made_day(told: str | int | None) -> float | None:
    """The first day of a year, month or day as a map tells it; None where it does not."""
    parts = [int(part) for part in str(told or "").split("-") if part.isdigit()]
    if not parts:
        return None
    year, month, day = (*parts, 1, 1)[:3]
    return day_of(dt.datetime(year, month, day, tzinfo=dt.UTC))


@dataclass(frozen=True)
class PathFacts:
    """A path: its public id, its property's, when its revisions began and when it ended."""

    public_id: str
    property: str
    label: str
    revisions: tuple[float, ...]
    ended: float | None

    def start_of(self, number: int) -> float:
        """When a revision began."""
        return self.revisions[number - 1]

    def number_at(self, at: float) -> int:
        """The revision that held until a moment, the first one before there was any."""
        return max(bisect_left(self.revisions, at), 1)


def path_facts() -> dict[int, PathFacts]:
    """Every path of the contractor, ended ones too, by primary key: two queries."""
    revisions: dict[int, list[float]] = defaultdict(list)
    for path, at in PathRevision.objects.order_by("path", "number").values_list("path", "at"):
        revisions[path].append(day_of(at))
    rows = WirePath.objects.order_by("pk").values_list(
        "pk", "public_id", "controller__property__public_id", "label", "ended_at"
    )
    return {
        pk: PathFacts(
            name, place, label, tuple(revisions[pk]), None if ended is None else day_of(ended)
        )
        for pk, name, place, label, ended in rows
    }


def ground_rows(paths: dict[int, PathFacts]) -> tuple[Ground, ...]:
    """What lay where and when, like with like taken together: three queries."""
    splices = Node.objects.exclude(kind="controller").values(
        "path", "from_revision", "to_revision", sort=F("splice_connector"), told=F("splice_made")
    )
    cables = Segment.objects.values(
        "path", "from_revision", "to_revision", sort=F("conductor"), told=F("laid_year")
    )
    devices = Device.objects.values(
        "path", "from_revision", "to_revision", sort=F("kind"), told=F("installed")
    )
    groups = (
        (SPLICE, splices.annotate(much=Count("pk"))),
        (SEGMENT, cables.annotate(much=Sum("length_m"))),
        (DEVICE, devices.annotate(much=Count("pk"))),
    )
    found = []
    for kind, rows in groups:
        order = ("path", "from_revision", "to_revision", "sort", "told")
        for row in rows.order_by(*order):
            path = paths[row["path"]]
            facts = Facts(kind, row["sort"], made_day(row["told"]), float(row["much"]))
            found.append(
                Ground(
                    path.public_id,
                    path.property,
                    facts,
                    path.start_of(row["from_revision"]),
                    _stop(path, row["to_revision"]),
                )
            )
    return tuple(found)


def _stop(path: PathFacts, to_revision: int | None) -> float | None:
    stop = None if to_revision is None else path.start_of(to_revision)
    ends = [one for one in (stop, path.ended) if one is not None]
    return min(ends) if ends else None


class MapsOfPaths:
    """The maps of some paths, in all their revisions: three queries."""

    def __init__(self, paths: dict[int, PathFacts], looked_at: Collection[int]) -> None:
        self._paths = paths
        self._versions: dict[tuple[int, str, str], list[tuple[int, Facts]]] = defaultdict(list)
        self.newest: dict[str, PathMap] = {}
        nodes, cables, devices = _rows_by_path(looked_at)
        for pk in looked_at:
            self.newest[paths[pk].public_id] = PathMap(
                tuple(
                    MapNode(
                        row["code"],
                        row["x_m"],
                        row["y_m"],
                        self._kept(pk, row, _node_facts(row)),
                    )
                    for row in self._of(pk, SPLICE, nodes[pk], _node_facts)
                ),
                tuple(
                    MapCable(row["code"], (row["from_code"], row["to_code"]), _cable_facts(row))
                    for row in self._of(pk, SEGMENT, cables[pk], _cable_facts)
                ),
                tuple(
                    MapDevice(row["code"], row["node_code"], _device_facts(row))
                    for row in self._of(pk, DEVICE, devices[pk], _device_facts)
                ),
            )

    @staticmethod
    def _kept(_pk: int, row: dict[str, Any], facts: Facts) -> Facts | None:
        return None if row["kind"] == "controller" else facts

    def _of(
        self, pk: int, kind: str, rows: list[dict[str, Any]], facts_of: Any
    ) -> Iterator[dict[str, Any]]:
        """Keep every version of the rows; give the live ones."""
        for row in rows:
            self._versions[pk, kind, row["code"]].append((row["from_revision"], facts_of(row)))
            if row["to_revision"] is None:
                yield row

    def at(self, pk: int | None, place: dict[str, Any], moment: float) -> At | None:
        """A place in the words of the forms as the map had it then; None where it is not on the
        path, or the map never had it."""
        word, code = next(iter(place.items()), ("", ""))
        if pk is None or word not in _KINDS:
            return None
        path, kind = self._paths[pk], _KINDS[word]
        if kind == "unmapped":
            return At(path.public_id, str(code), Facts(kind))
        versions = self._versions.get((pk, kind, str(code)), [])
        number = path.number_at(moment)
        known = [facts for first, facts in versions if first <= number]
        if not versions:
            return None
        return At(path.public_id, str(code), known[-1] if known else versions[0][1])


def _rows_by_path(looked_at: Collection[int]) -> list[dict[int, list[dict[str, Any]]]]:
    own = ("path", "code", "from_revision", "to_revision")
    wanted = (
        (Node, ("kind", "x_m", "y_m", "splice_connector", "splice_made")),
        (Segment, ("from_code", "to_code", "length_m", "conductor", "laid_year")),
        (Device, ("node_code", "kind", "installed")),
    )
    found = []
    for model, columns in wanted:
        by_path: dict[int, list[dict[str, Any]]] = defaultdict(list)
        rows = model.objects.filter(path__in=looked_at).order_by("path", "place", "from_revision")
        for row in rows.values(*own, *columns):
            by_path[row["path"]].append(row)
        found.append(by_path)
    return found


def _node_facts(row: dict[str, Any]) -> Facts:
    return Facts(SPLICE, row["splice_connector"], made_day(row["splice_made"]))


def _cable_facts(row: dict[str, Any]) -> Facts:
    return Facts(SEGMENT, row["conductor"], made_day(row["laid_year"]), row["length_m"])


def _device_facts(row: dict[str, Any]) -> Facts:
    return Facts(DEVICE, row["kind"], made_day(row["installed"]))
