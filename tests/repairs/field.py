"""Work at a call as the field does it, through the services."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

from core.accounts.actor import Actor
from faults.models import FaultCall, Repair, ReturnTest
from faults.selectors.calls import call_get
from faults.services.call_moves import Move, call_move
from faults.services.calls import Where, call_open
from faults.services.repairs import PartUsed, RepairDetails, repair_record
from faults.services.return_tests import LegReading, ReturnReadings, return_test_record
from faults.tracing.rig_places import legs_of
from sites.models import WirePath
from sites.network.solve import solve
from sites.network_snapshot import path_network
from tests.faults.leaving import answers_for
from tests.faults.places import path_at_new_place
from tests.tracing.drives import tree_path

REMADE = RepairDetails(
    kind="splice",
    minutes=45.0,
    at_place={"device": "D5"},
    parts=(PartUsed("gel connector", 2),),
    splice_kind="gel-filled",
    splices_made=2,
)


def path_with_stations(by: Actor) -> WirePath:
    """The tree of the drives, each device running a station of its own from 1 on."""
    path = tree_path()
    devices = tuple(
        replace(device, stations=(number,)) for number, device in enumerate(path.devices, start=1)
    )
    return path_at_new_place(by, replace(path, devices=devices))


def opened(by: Actor, path: WirePath | None = None) -> FaultCall:
    return call_open(where=Where.of_path(path or path_at_new_place(by)), by=by)


def moved(call: FaultCall, to: str, by: Actor, **more: Any) -> FaultCall:
    """The call moved to a state, with all that this asks for."""
    call = call_get(call.public_id)
    said: dict[str, Any] = {"why": "as agreed"}
    if to == "waiting":
        said["until"] = dt.date(2030, 4, 1)
    move = Move(to, **(said | {"left": answers_for(call)} | more))
    return call_move(call=call, move=move, version=call.version, by=by)


def readings_of(path: WirePath, factor: float = 1.0, **more: Any) -> ReturnReadings:
    """What a sound path reads, all legs times ``factor``."""
    network = path_network(path)
    solution = solve(network)
    legs = tuple(
        LegReading(leg, factor * solution.current_ma(network.controller.id, leg), far_v=24.0)
        for leg in legs_of(network)
    )
    return replace(ReturnReadings(legs=legs, quiet_min=6.0, wet=False), **more)


def repaired(call: FaultCall, by: Actor, details: RepairDetails = REMADE) -> Repair:
    """A repair of the call, which is brought to *repairing* for it and to *return-testing* after.

    A call that is only reported goes by way of *planned*.
    """
    if call_get(call.public_id).state == "reported":
        moved(call, "planned", by)
    if call_get(call.public_id).state != "repairing":
        moved(call, "repairing", by)
    repair = repair_record(call=call, details=details, by=by)
    moved(call, "return-testing", by)
    return repair


def return_test(call: FaultCall, by: Actor, factor: float = 1.0, **more: Any) -> ReturnTest:
    """A return test of the call that passes unless something is said or left against it."""
    assert call.path is not None
    path = WirePath.objects.get(pk=call.path.pk)
    return return_test_record(call=call, readings=readings_of(path, factor, **more), by=by)
