"""A crew's visits with all that it wants to know before it drives: reads alone."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from faults.bring import Brought, Ground, Suspected, device_words, what_to_bring
from faults.models.call import FaultCall
from faults.models.dispatch import CallNeeds, PlannedVisit
from faults.models.trace import Trace
from faults.selectors.as_left import as_left_counts
from faults.selectors.day_plans import visit_call, visit_place
from sites.models.device import Device, Node, Segment
from sites.models.property import Property

Document = dict[str, Any]


@dataclass(frozen=True)
class DayVisit:
    """One visit: where, for which call, what is suspected and to be brought.

    ``left``: how many things are left on the path; ``lacked``: what earlier visits to the same
    lacked; ``needs``: what the call wants of a crew, None for other visits.
    """

    visit: PlannedVisit
    place: Property
    call: FaultCall | None
    needs: CallNeeds | None
    suspects: tuple[Document, ...]
    bring: tuple[Brought, ...]
    left: int
    lacked: tuple[str, ...]


def day_visits(visits: Sequence[PlannedVisit]) -> list[DayVisit]:
    """Visits, joined as in ``visit_list``, in the same order: eight queries, however many."""
    calls = [call for call in map(visit_call, visits) if call is not None]
    paths = {call.path_id for call in calls if call.path_id is not None}
    grounds = _grounds(paths)
    traces = {
        trace.call_id: trace
        for trace in Trace.objects.filter(call__in=calls).defer("known").order_by("pk")
    }
    needs = {one.call_id: one for one in CallNeeds.objects.filter(call__in=calls)}
    left = as_left_counts([call.path for call in calls if call.path is not None])
    lacked = _lacked(visits)
    found = []
    for visit in visits:
        call = visit_call(visit)
        path_id = call.path_id if call is not None else None
        trace = traces.get(call.pk) if call is not None and visit.kind == "call" else None
        suspects = tuple(trace.standing.get("suspects", ())) if trace else ()
        found.append(
            DayVisit(
                visit=visit,
                place=visit_place(visit),
                call=call,
                needs=needs.get(call.pk) if call is not None and visit.kind == "call" else None,
                suspects=suspects,
                bring=_bring(visit, suspects, grounds.get(path_id or 0, Ground())),
                left=left.get(path_id or 0, 0),
                lacked=tuple(lacked[visit.name]),
            )
        )
    return found


def _bring(
    visit: PlannedVisit, suspects: Sequence[Document], ground: Ground
) -> tuple[Brought, ...]:
    if visit.kind != "call":
        return what_to_bring((), Ground())[:2]
    read = []
    for one in suspects:
        kind, name = next(iter(one["at"].items()), ("", ""))
        read.append(Suspected(kind, str(name), float(one["chance"])))
    return what_to_bring(read, ground)


def _grounds(paths: set[int]) -> dict[int, Ground]:
    """The maps of paths as they are now, by primary key: three queries."""
    access: dict[int, dict[str, str]] = defaultdict(dict)
    devices: dict[int, dict[str, tuple[str, str]]] = defaultdict(dict)
    conductors: dict[int, dict[str, str]] = defaultdict(dict)
    live = {"path__in": paths, "to_revision__isnull": True}
    for path, code, reach in Node.objects.filter(**live).values_list("path", "code", "access"):
        access[path][code] = reach
    wanted = ("path", "code", "node_code", "kind", "outputs", "model_name")
    rows = Device.objects.filter(**live).values_list(*wanted)
    for path, code, node, kind, outputs, model in rows:
        devices[path][code] = (node, device_words(kind, outputs, model))
    runs = Segment.objects.filter(**live).values_list("path", "code", "conductor")
    for path, code, conductor in runs:
        conductors[path][code] = conductor
    return {path: Ground(access[path], devices[path], conductors[path]) for path in paths}


def _lacked(visits: Sequence[PlannedVisit]) -> dict[str, list[str]]:
    """What earlier visits for the same lacked, by the visits' names: one query."""
    found: dict[str, list[str]] = defaultdict(list)
    rows = PlannedVisit.objects.filter(name__in=[one.name for one in visits]).exclude(lacked=[])
    for name, words in rows.order_by("pk").values_list("name", "lacked"):
        found[name] += [word for word in words if word not in found[name]]
    return found
