"""The stories of the demo, told through the services: what is reported, traced and put right."""

from __future__ import annotations

import datetime as dt
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np

from core.accounts.actor import Actor
from core.clock import as_of, now
from core.models import Crew
from demo.aftermath import aftermath, failed_before, parts_out
from demo.history import PlannedEvent, PlannedFault
from demo.laying import SEED
from demo.lost_visits import LostVisit
from demo.people import Staff
from demo.register import Registered
from demo.repairs import NEW_SPLICE, all_restored, path_tested, repair_made
from demo.simulated_ground import SimulatedGround
from demo.timeline import Story
from faults.models import FaultCall, Trace
from faults.selectors.calls import call_get
from faults.selectors.traces import trace_next
from faults.services.as_left import as_left_answer
from faults.services.call_moves import Move, call_move
from faults.services.calls import call_assign
from faults.services.events import EventReport, event_report
from faults.services.observations import observation_add
from faults.services.traces import trace_end, trace_start
from sites.map_edits import MapEdit
from sites.models import Property, WirePath
from sites.network.faults import Place
from sites.services.path_corrections import path_correct

Document = dict[str, Any]

LAST_EVENT = "demo-last"
"""The external id of what is reported last: where it is there, the demo is whole."""

_HALF_WAY_STEPS = 12
_STOPPED_STEPS = 7
_TESTED_WET_SHARE = 0.4
_MOST_STEPS = 400
_REPAIRS = {
    "splice": "Splice cut out and made anew, gel-filled; conductors were green with damp.",
    "device": "Decoder changed; its lead was burnt at the splice.",
    "segment": "Nicked cable cut out, a length of cable joined in between two boxes.",
}


@dataclass(frozen=True)
class Cast:
    """Whom and what the stories are about; properties by external id, paths by label."""

    staff: Staff
    paths: dict[str, Registered]
    properties: dict[str, Property]


def event_story(cast: Cast, event: PlannedEvent, number: int) -> Story:
    """Something is reported."""
    yield event.at
    report = EventReport(
        kind=event.kind,
        at=now(),
        place=cast.properties[event.property_id].public_id,
        path=cast.paths[event.label].path.public_id if event.label else "",
        note=event.note,
        rain_mm=event.rain_mm,
        external_id=f"demo-{number}",
    )
    event_report(report=report, by=cast.staff.controllers if event.label else cast.staff.supervisor)


def last_story(cast: Cast, label: str, at: dt.datetime) -> Story:
    """The message of a call that is open already comes once more: the last thing of the demo."""
    yield at
    _overcurrent(cast, cast.paths[label], 1180.0, LAST_EVENT)


def fault_story(cast: Cast, fault: PlannedFault) -> Story:
    """A short comes, is reported night after night, traced, put right, and the call closed."""
    registered = cast.paths[fault.label]
    seed = zlib.crc32(f"{fault.label} {fault.fault.at} {fault.at.date()}".encode())
    rng = np.random.default_rng([SEED, 4, seed])
    yield fault.at
    call = _overcurrent(cast, registered, round(float(rng.uniform(1050.0, 2400.0))))
    if fault.present == "reported":
        return
    technician = _technician(cast, registered, rng)
    if fault.present == "half-way":
        yield fault.at + dt.timedelta(hours=28)
        _traced(call, fault, registered, technician, seed=seed, most_steps=_HALF_WAY_STEPS)
        return
    for night in range(int(rng.integers(0, 3))):
        yield fault.at + dt.timedelta(days=night + 1, minutes=float(rng.uniform(-20.0, 20.0)))
        _overcurrent(cast, registered, round(float(rng.uniform(1050.0, 2400.0))))
    yield _working_hour(now(), rng)
    trace = _traced(call, fault, registered, technician, seed=seed, most_steps=_MOST_STEPS)
    # On from the end of the trace, not from its start.
    yield (trace.ended_at or now()) + dt.timedelta(minutes=float(rng.uniform(10.0, 90.0)))
    if trace.outcome != "proved":
        why = "Nothing was proved; the path held when it was put back."
        _close(call, cast, registered, "unproved", why)
        return
    place = fault.fault.at
    _move(call, technician, Move("repairing", "proved; repair on the spot"))
    work_min = float(rng.uniform(30.0, 150.0))
    yield now() + dt.timedelta(minutes=work_min)
    after = np.random.default_rng([SEED, 5, seed])
    repair = repair_made(call, place, work_min, _REPAIRS[place.kind], technician)
    parts = parts_out(repair, place, registered, technician, after)
    failed_before(call, place, technician)
    as_left_answer(call=call, answers=all_restored(registered), by=technician)
    _map_after_repair(registered, place, technician)
    _move(call, technician, Move("return-testing"))
    yield now() + dt.timedelta(minutes=float(rng.uniform(10.0, 30.0)))
    _cleared(registered, technician)
    wet = fault.after == "rain" and float(after.uniform()) < _TESTED_WET_SHARE
    path_tested(call, registered, technician, wet=wet)
    _close(call, cast, registered, "repaired", _REPAIRS[place.kind])
    yield from aftermath(repair, place, parts, technician, after)


def visit_story(cast: Cast, visit: LostVisit) -> Story:
    """A message comes, and the visit proves nothing: it is stopped early, or all is quiet."""
    registered = cast.paths[visit.label]
    seed = zlib.crc32(f"{visit.label} {visit.at} lost".encode())
    rng = np.random.default_rng([SEED, 7, seed])
    yield visit.at
    call = _overcurrent(cast, registered, round(float(rng.uniform(1050.0, 1600.0))))
    yield now() + dt.timedelta(minutes=30)
    crew = Crew.objects.get(name=registered.crew)
    call_assign(call=call, to=crew, version=call.version, by=cast.staff.supervisor)
    yield _working_hour(now(), rng)
    if visit.end == "not-present" or visit.fault is None:
        _close(call, cast, registered, "not-present", "No message with all legs on, twice.")
        return
    technician = _technician(cast, registered, rng)
    fault = PlannedFault(visit.label, visit.fault, visit.at)
    trace = _traced(call, fault, registered, technician, seed=seed, most_steps=_STOPPED_STEPS)
    last = trace.observations.order_by("client_seq").last()
    yield now() if last is None else last.client_at
    why = "The day ran out; the message had not come again by then."
    trace_end(trace=trace, why=why, version=trace.version, by=technician)
    yield now() + dt.timedelta(minutes=30)
    _close(call, cast, registered, "unproved", why)


def _overcurrent(
    cast: Cast, registered: Registered, current_ma: float, external_id: str = ""
) -> FaultCall:
    report = EventReport(
        kind="overcurrent",
        at=now(),
        path=registered.path.public_id,
        current_ma=current_ma,
        external_id=external_id,
    )
    reported = event_report(report=report, by=cast.staff.controllers)
    if reported.call is None:
        raise RuntimeError(f"no call came of the overcurrent on {registered.path.label}")
    return reported.call


def _cleared(registered: Registered, technician: Actor) -> None:
    report = EventReport(
        kind="cleared",
        at=now(),
        path=registered.path.public_id,
        note="No message with all legs on.",
    )
    event_report(report=report, by=technician)


def _traced(
    call: FaultCall,
    fault: PlannedFault,
    registered: Registered,
    technician: Actor,
    *,
    seed: int,
    most_steps: int,
) -> Trace:
    """The trace, played by the simulated ground step by step until it is done."""
    ground = SimulatedGround(registered.laid, fault.fault, registered.crew, seed)
    started_at = now()
    trace = trace_start(call=call_get(call.public_id), by=technician, known={})
    document = trace_next(trace)
    for number in range(1, most_steps + 1):
        if document["stage"] == "done":
            break
        body = ground.answer(document)
        at = started_at + dt.timedelta(minutes=ground.minutes)
        with as_of(at):
            document = observation_add(
                trace=trace,
                by=technician,
                client_id=f"demo-{number}",
                body=body,
                client_seq=number,
                client_at=at,
            ).document
    trace.refresh_from_db()
    return trace


def _map_after_repair(registered: Registered, place: Place, technician: Actor) -> None:
    """A splice that was made anew is a new splice on the map."""
    if place.kind != "splice":
        return
    path = WirePath.objects.get(pk=registered.path.pk)
    made = now().date().isoformat()
    splice = {"connector": NEW_SPLICE, "made": made, "by_crew": registered.crew}
    edit = MapEdit("alter", "node", place.id, values={"splice": splice}, ground_changed=True)
    path_correct(
        path=path,
        base_revision=path.revision,
        changes=[edit],
        by=technician,
        note=f"Splice {place.id} made anew.",
    )


def _close(call: FaultCall, cast: Cast, registered: Registered, outcome: str, why: str) -> None:
    left = all_restored(registered)
    _move(call, cast.staff.supervisor, Move("closed", why, outcome=outcome, left=left))


def _move(call: FaultCall, by: Actor, move: Move) -> None:
    current = call_get(call.public_id)
    call_move(call=current, move=move, version=current.version, by=by)


def _technician(cast: Cast, registered: Registered, rng: np.random.Generator) -> Actor:
    crew = cast.staff.technicians[registered.crew]
    return crew[int(rng.integers(len(crew)))]


def _working_hour(after: dt.datetime, rng: np.random.Generator) -> dt.datetime:
    """A morning hour of the same or the next working day."""
    at = after.replace(hour=6, minute=30) + dt.timedelta(minutes=float(rng.uniform(0.0, 300.0)))
    while at <= after or at.weekday() == 6:
        at += dt.timedelta(days=1)
    return at
