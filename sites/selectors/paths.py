"""Reading wire paths, their revisions and the rows of their maps."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from typing import TypeVar

from django.db.models import Q, QuerySet

from core.problems import NotFound
from sites.models.controller import Controller
from sites.models.device import Device, Node, Segment
from sites.models.map_row import MapRow, RowLineage
from sites.models.wire_path import PathRevision, WirePath

_Row = TypeVar("_Row", bound=MapRow)


@dataclass(frozen=True)
class PathRows:
    """The rows of a path that are valid in one revision, in the survey's order."""

    revision: PathRevision
    nodes: tuple[Node, ...]
    segments: tuple[Segment, ...]
    devices: tuple[Device, ...]


def path_list(
    controller: Controller | None = None, *, with_ended: bool = False
) -> QuerySet[WirePath]:
    """Wire paths, of one controller or all, oldest first; controller and property joined.

    One query.
    """
    paths = WirePath.objects.select_related("controller__property").order_by("pk")
    if controller is not None:
        paths = paths.filter(controller=controller)
    return paths if with_ended else paths.filter(ended_at__isnull=True)


def path_get(public_id: str) -> WirePath:
    """A wire path with its controller and property: one query. Raises NotFound."""
    found = path_list(with_ended=True).filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no wire path {public_id}.")
    return found


def path_revisions(path: WirePath) -> QuerySet[PathRevision]:
    """The revisions of a path's map, newest first: one query."""
    return path.revisions.order_by("-number")


def revision_get(path: WirePath, number: int | None = None) -> PathRevision:
    """A revision of a path's map, None: the newest. One query. Raises NotFound."""
    revisions = path_revisions(path)
    found = (revisions if number is None else revisions.filter(number=number)).first()
    if found is None:
        raise NotFound(f"The wire path {path.public_id} has no revision {number}.")
    return found


def path_rows(path: WirePath, revision: int | None = None) -> PathRows:
    """The rows of a path's map in a revision, None: the newest. Four queries. Raises NotFound."""
    found = revision_get(path, revision)
    return PathRows(
        revision=found,
        nodes=tuple(rows_in(Node.objects.all(), path, found.number)),
        segments=tuple(rows_in(Segment.objects.all(), path, found.number)),
        devices=tuple(rows_in(Device.objects.all(), path, found.number)),
    )


def rows_in(rows: QuerySet[_Row], path: WirePath, number: int) -> QuerySet[_Row]:
    """Those of ``rows`` that are valid in a revision of a path, in the survey's order."""
    lasting = Q(to_revision__isnull=True) | Q(to_revision__gt=number)
    return rows.filter(lasting, path=path, from_revision__lte=number).order_by("place")


def live_codes(paths: Collection[int]) -> dict[int, set[tuple[str, str]]]:
    """What is on the newest maps of paths, by primary key: splice, segment or device, and code.
    Three queries."""
    found: dict[int, set[tuple[str, str]]] = defaultdict(set)
    nodes = Node.objects.exclude(kind="controller")
    for word, rows in (("splice", nodes), ("segment", Segment.objects), ("device", Device.objects)):
        live = rows.filter(path__in=paths, to_revision__isnull=True)
        for path, code in live.values_list("path", "code"):
            found[path].add((word, code))
    return found


def map_codes(path: int) -> set[str]:
    """The names of nodes and cable runs on a path's newest map, by primary key: two queries."""
    return {
        code
        for rows in (Node.objects, Segment.objects)
        for code in rows.filter(path=path, to_revision__isnull=True).values_list("code", flat=True)
    }


def cable_ends(
    paths: Collection[int], codes: Collection[str]
) -> dict[tuple[int, str], dict[str, str]]:
    """The nodes at both ends of cable runs on the newest maps of paths, by primary key and code:
    one query."""
    rows = Segment.objects.filter(path__in=paths, code__in=codes, to_revision__isnull=True)
    return {
        (path, code): {"from": one, "to": other}
        for path, code, one, other in rows.values_list("path", "code", "from_code", "to_code")
    }


def path_lineage(path: WirePath) -> QuerySet[RowLineage]:
    """Which rows of a path came from which, in the order of revisions: one query."""
    return path.lineage.order_by("revision", "pk")
