"""Two years of a contractor with something of everything that a run reads: rain, lightning, paths
switched off, seasons, a cable cut in two, a path that ended, findings set aside, and trouble."""

from __future__ import annotations

import datetime as dt
import random
from dataclasses import dataclass

from core.accounts.actor import Actor
from core.clock import as_of
from faults.models import Finding
from faults.services.events import EventReport, event_report
from sites.map_edits import MapEdit
from sites.models import Node, Segment, WirePath
from sites.services.controllers import SeasonDays, path_end, season_set
from sites.services.path_corrections import path_correct
from tests.faults.places import path_at_new_place
from tests.trouble.history import START, a_trace_on, bad_places, failed

END = START + dt.timedelta(days=730)
PATHS = 12
BAD, STUBBORN, CUT, ENDED, SEASONAL, OFF, STANDING, JOINED, ASIDE = range(9)
"""Paths by number: with a bad stretch, a device that fails, a cable cut in two, ended early, with
seasons, off for a while, off from before its map on, cut and joined again, a finding set aside."""


@dataclass(frozen=True)
class Varied:
    """What there is."""

    paths: list[WirePath]
    findings: list[Finding]


def varied(by: Actor, seed: int = 3) -> Varied:
    """The history; ``END`` is a moment after all of it."""
    rng = random.Random(seed)
    with as_of(START):
        paths = [path_at_new_place(by) for _ in range(PATHS)]
    _weather(paths, rng, by)
    _switching(paths, by)
    found = [one for number, path in enumerate(paths) for one in _scattered(number, path, rng, by)]
    found += _trouble(paths, by)
    cable = Segment.objects.get(path=paths[CUT], code="S2")
    trace = a_trace_on(paths[CUT], by)
    found.append(failed(trace, {"segment": "S2"}, START + dt.timedelta(days=200)))
    _cut(cable, by)
    found.append(failed(trace, {"segment": "S2b"}, START + dt.timedelta(days=500)))
    cable = Segment.objects.get(path=paths[JOINED], code="S6")
    _cut(cable, by)
    _join(cable, by)
    with as_of(START + dt.timedelta(days=600)):
        ended = WirePath.objects.get(pk=paths[ENDED].pk)
        path_end(path=ended, version=ended.version, by=by)
    aside = failed(a_trace_on(paths[ASIDE], by), {"splice": "N3"}, START + dt.timedelta(days=300))
    Finding.objects.filter(pk=aside.pk).update(superseded_at=START + dt.timedelta(days=301))
    return Varied(paths, found)


def _told(kind: str, day: float, by: Actor, **more: object) -> None:
    at = START + dt.timedelta(days=day)
    with as_of(at + dt.timedelta(minutes=5)):
        event_report(report=EventReport(kind=kind, at=at, **more), by=by)  # type: ignore[arg-type]


def _weather(paths: list[WirePath], rng: random.Random, by: Actor) -> None:
    """Rain of every depth, told and not, and now and then lightning."""
    for path in paths:
        place = path.controller.property.public_id
        for day in range(5, 720, 45):
            depth = rng.choice([None, 0.5, 4.0, 12.0])
            _told("rain", day + rng.uniform(0, 20), by, place=place, rain_mm=depth)
        for day in range(30, 720, 240):
            _told("lightning", day + rng.uniform(0, 60), by, place=place)


def _switching(paths: list[WirePath], by: Actor) -> None:
    """One path off for a while, one whose whole property was, one with seasons set early on, one
    that stands still since its first days."""
    off = paths[OFF]
    _told("off", 150.0, by, path=off.public_id)
    _told("energised", 190.0, by, path=off.public_id)
    _told("off", 400.0, by, place=off.controller.property.public_id)
    _told("energised", 420.0, by, place=off.controller.property.public_id)
    _told("off", 0.0, by, controller=paths[STANDING].controller.public_id)
    with as_of(START + dt.timedelta(days=1)):
        controller = paths[SEASONAL].controller
        seasons = [SeasonDays(dt.date(y, 3, 1), dt.date(y, 10, 31), "") for y in (2024, 2025)]
        season_set(controller=controller, version=controller.version, seasons=seasons, by=by)


def _scattered(number: int, path: WirePath, rng: random.Random, by: Actor) -> list[Finding]:
    """A failure here and there, some days after rain."""
    with as_of(START + dt.timedelta(days=10)):
        trace = a_trace_on(path, by)
    places = [{"splice": f"N{n}"} for n in range(1, 8)]
    places += [{"segment": f"S{n}"} for n in range(1, 8)] + [
        {"device": f"D{n}"} for n in range(1, 8)
    ]
    last = 580.0 if number == ENDED else 720.0
    return [
        failed(trace, rng.choice(places), START + dt.timedelta(days=rng.uniform(20.0, last)))
        for _ in range(1 + number % 3)
    ]


def _trouble(paths: list[WirePath], by: Actor) -> list[Finding]:
    bad, trace = bad_places(paths[BAD]), a_trace_on(paths[BAD], by)
    found = [
        failed(trace, bad[n % len(bad)], START + dt.timedelta(days=40 + 42 * n)) for n in range(16)
    ]
    trace = a_trace_on(paths[STUBBORN], by)
    return found + [
        failed(trace, {"device": "D4"}, START + dt.timedelta(days=60 + 65 * n)) for n in range(10)
    ]


def _cut(cable: Segment, by: Actor) -> None:
    """A cable is cut in two by a splice set into it."""
    ends = (cable.from_code, cable.to_code)
    nodes = {one.code: one for one in Node.objects.filter(path=cable.path, code__in=ends)}
    middle = {
        "kind": "inline-splice",
        "x_m": sum(one.x_m for one in nodes.values()) / 2,
        "y_m": sum(one.y_m for one in nodes.values()) / 2 + 0.5,
        "access": "buried",
    }
    edits = [MapEdit("add", "node", "N20", middle), MapEdit("end", "segment", cable.code)]
    for part, (start, end), share in (("a", (ends[0], "N20"), 0.4), ("b", ("N20", ends[1]), 0.6)):
        values = _cable(cable, start, end, share * cable.length_m)
        code = f"{cable.code}{part}"
        edits.append(MapEdit("add", "segment", code, values, comes_from=(cable.code,)))
    with as_of(START + dt.timedelta(days=350)):
        path_correct(path=cable.path, base_revision=1, changes=edits, by=by)


def _join(cable: Segment, by: Actor) -> None:
    """The parts of a cable are joined again, some metres longer."""
    parts = (f"{cable.code}a", f"{cable.code}b")
    values = _cable(cable, cable.from_code, cable.to_code, cable.length_m + 3.0)
    edits = [MapEdit("end", "segment", part) for part in parts]
    edits += [MapEdit("end", "node", "N20")]
    edits += [MapEdit("add", "segment", f"{cable.code}c", values, comes_from=parts)]
    with as_of(START + dt.timedelta(days=450)):
        path_correct(path=cable.path, base_revision=2, changes=edits, by=by)


def _cable(like: Segment, start: str, end: str, length_m: float) -> dict[str, object]:
    return {"from": start, "to": end, "length_m": length_m, "conductor": like.conductor}
