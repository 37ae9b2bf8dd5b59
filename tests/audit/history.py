"""A small history of a contractor, told through the services and as of its moments."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import Any

from core.accounts.actor import Actor
from core.accounts.people import crew_create
from core.clock import as_of, now
from core.models import Crew, Person
from faults.models import FaultCall, Finding, RemovedPart, Repair, SoakCheck
from faults.selectors.calls import call_get
from faults.services.calls import Where, call_assign, call_open
from faults.services.removed_parts import PartDetails, PartSeen, part_look, part_remove
from faults.services.repairs import repair_did_not_hold
from faults.services.soak_checks import soak_check_done
from faults.services.traces import trace_start
from sites.models import WirePath
from tests.faults.places import path_at_new_place
from tests.repairs.field import REMADE, moved, repaired, return_test

Place = dict[str, Any]

BEGAN_DAYS = 400
HOSTILE = '=cmd|"/c calc"!A1'
"""What a part is called by somebody who tries a formula on whoever opens the CSV."""


@dataclass(frozen=True)
class Told:
    """What there is of the history."""

    paths: tuple[WirePath, WirePath]
    calls: tuple[FaultCall, ...]
    repairs: tuple[Repair, ...]
    part: RemovedPart


def told(by: Actor, members: list[Person]) -> Told:
    """Two paths; D5 fails twice, a call without a fault comes back, one is closed without proof."""
    start = now() - dt.timedelta(days=BEGAN_DAYS)
    with as_of(start):
        crew = crew_create(name="North crew", members=members, by=by)
        paths = (path_at_new_place(by), path_at_new_place(by))
    first, _ = mended(by, crew, paths[0], {"device": "D5"}, start + dt.timedelta(days=40))
    with as_of(start + dt.timedelta(days=50)):
        check = SoakCheck.objects.get(repair=first)
        soak_check_done(check=check, state="held", version=check.version, by=by)
        details = PartDetails(tag="T-1", what=HOSTILE, at_place={"device": "D5"})
        part = part_remove(call=first.call, repair=first, details=details, by=by)
        part = part_look(part=part, seen=PartSeen(bench_result="sound"), version=1, by=by)
    second, _ = mended(by, crew, paths[0], {"device": "D5"}, start + dt.timedelta(days=90))
    with as_of(start + dt.timedelta(days=91)):
        repair_did_not_hold(repair=first, call=second.call, why="D5 again", by=by)
    quiet = closed(by, crew, paths[1], "not-present", start + dt.timedelta(days=120))
    lost = closed(by, crew, paths[1], "unproved", start + dt.timedelta(days=130))
    third, _ = mended(by, crew, paths[1], {"splice": "N3"}, start + dt.timedelta(days=380))
    calls = (first.call, second.call, quiet, lost, third.call)
    return Told(paths, calls, (first, second, third), part)


def mended(
    by: Actor, crew: Crew, path: WirePath, place: Place, at: dt.datetime
) -> tuple[Repair, Finding]:
    """A call on a path that was proved, repaired, tested and closed."""
    with as_of(at):
        call = opened(by, crew, path)
        trace = trace_start(call=call, by=by)
        trace.outcome, trace.ended_at = "proved", now()
        trace.save()
        proof = Finding.objects.create(
            trace=trace, at=place, kind="short", chance=1.0, proved=True, basis=[], made_at=now()
        )
        moved(call, "found", by)
    with as_of(at + dt.timedelta(hours=3)):
        repair = repaired(call, by, replace(REMADE, at_place=place))
        test = return_test(call_get(call.public_id), by)
        assert test.passed, test.failures
        moved(call, "closed", by, outcome="repaired")
    return Repair.objects.get(pk=repair.pk), proof


def closed(by: Actor, crew: Crew, path: WirePath, outcome: str, at: dt.datetime) -> FaultCall:
    """A call that was closed without a proof."""
    with as_of(at):
        call = opened(by, crew, path)
        moved(call, "closed", by, outcome=outcome)
    return call_get(call.public_id)


def opened(by: Actor, crew: Crew, path: WirePath) -> FaultCall:
    """A call that the crew has."""
    call = call_open(where=Where.of_path(path), by=by)
    return call_assign(call=call, to=crew, version=call.version, by=by)
