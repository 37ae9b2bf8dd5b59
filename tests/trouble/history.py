"""A contractor whose paths fail, one stretch of them again and again; rows written straight."""

from __future__ import annotations

import datetime as dt

from core.accounts.actor import Actor
from core.clock import as_of
from faults.models import Finding, Trace
from faults.services.calls import Where, call_open
from faults.services.traces import trace_start
from sites.models import Node, Segment, WirePath
from tests.faults.places import path_at_new_place

START = dt.datetime(2024, 3, 4, 8, 0, tzinfo=dt.UTC)
NOW = dt.datetime(2026, 3, 29, 12, 0, tzinfo=dt.UTC)
"""The day after which clocks were put forward in Madrid."""


EVIDENCE = {
    "failures": 3,
    "expected": 0.2,
    "p": 0.001,
    "q": 0.01,
    "spread": 0.4,
    "energised_days": 500.0,
}
"""Of a flag that is raised by hand."""


def failed(trace: Trace, place: dict[str, str], at: dt.datetime) -> Finding:
    """A proved finding of a trace; one trace may hold several here."""
    return Finding.objects.create(
        trace=trace, at=place, kind="short", chance=1.0, proved=True, basis=[], made_at=at
    )


def a_trace_on(path: WirePath, by: Actor) -> Trace:
    """The path's trace; where there is none yet, one of a new call."""
    there = Trace.objects.filter(path=path).first()
    if there is not None:
        return there
    call = call_open(where=Where.of_path(path), by=by)
    return trace_start(call=call, by=by)


def troubled(by: Actor, paths: int = 6) -> list[WirePath]:
    """Paths with one scattered failure each; the first fails six times more on one cable run."""
    with as_of(START):
        made = [path_at_new_place(by) for _ in range(paths)]
    for number, path in enumerate(made):
        with as_of(START + dt.timedelta(days=30 + number)):
            trace = a_trace_on(path, by)
        cables = list(Segment.objects.filter(path=path).order_by("pk"))
        failed(
            trace,
            {"segment": cables[number % len(cables)].code},
            START + dt.timedelta(days=31 + number),
        )
        if number == 0:
            places = bad_places(path)
            for day in range(6):
                at = START + dt.timedelta(days=60 + 70 * day)
                failed(trace, places[day % len(places)], at)
    return made


def bad_places(path: WirePath) -> list[dict[str, str]]:
    """A cable and the splices at its ends."""
    cable = Segment.objects.filter(path=path).order_by("pk")[3]
    nodes = Node.objects.filter(path=path, code__in=(cable.from_code, cable.to_code))
    splices = [{"splice": one.code} for one in nodes.exclude(kind="controller").order_by("pk")]
    return [{"segment": cable.code}, *splices]
