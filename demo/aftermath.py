"""What came after a repair of the demo: parts on the bench, looks when wet, repairs that failed."""

from __future__ import annotations

import datetime as dt

import numpy as np

from core.accounts.actor import Actor
from core.clock import now
from demo.register import Registered
from demo.timeline import Story
from faults.forms.place import place_document
from faults.models import FaultCall, RemovedPart, Repair, SoakCheck
from faults.selectors.calls import call_get
from faults.services.removed_parts import PartDetails, PartSeen, part_look, part_remove
from faults.services.repairs import repair_did_not_hold
from faults.services.soak_checks import soak_check_done
from sites.network.faults import Place

_IN_DOUBT = {"North crew": 0.1, "South crew": 0.45}
"""How often a crew also changes the decoder beside a bad splice: it is sound."""

_TESTED_SHARE, _LOOKED_SHARE = 0.75, 0.7


def parts_out(
    repair: Repair, place: Place, registered: Registered, by: Actor, rng: np.random.Generator
) -> list[RemovedPart]:
    """What was taken out: a faulty device, or beside a bad splice a device in doubt."""
    path = registered.laid.path
    if place.kind == "device":
        devices = [place.id]
    elif place.kind == "splice" and rng.uniform() < _IN_DOUBT[registered.crew]:
        devices = [one.id for one in path.devices if one.node == place.id][:1]
    else:
        devices = []
    return [
        part_remove(
            call=call_get(repair.call.public_id),
            repair=repair,
            details=PartDetails(
                tag=f"{registered.crew[0]}-{RemovedPart.objects.count() + 1}",
                what="decoder",
                at_place={"device": device},
            ),
            by=by,
        )
        for device in devices
    ]


def failed_before(call: FaultCall, place: Place, by: Actor) -> None:
    """Say of earlier repairs of this very place that they did not hold."""
    earlier = Repair.objects.filter(call__path=call.path, at_place=place_document(place))
    for repair in earlier.exclude(call=call).order_by("pk"):
        repair_did_not_hold(repair=repair, call=call, why="The same place failed once more.", by=by)


def aftermath(
    repair: Repair, place: Place, parts: list[RemovedPart], by: Actor, rng: np.random.Generator
) -> Story:
    """The look when it is wet, and the bench, for most of them."""
    check = SoakCheck.objects.get(repair=repair)
    looked, tested = rng.uniform() < _LOOKED_SHARE, rng.uniform() < _TESTED_SHARE
    yield now() + dt.timedelta(days=float(rng.uniform(8.0, 13.0)))
    if looked:
        note = "No message in two nights of rain."
        soak_check_done(check=check, state="held", note=note, version=check.version, by=by)
    yield now() + dt.timedelta(days=float(rng.uniform(3.0, 15.0)))
    for part in parts if tested else ():
        seen = (
            PartSeen(cause="surge", bench_result="faulty", bench_note="Shorted at its input.")
            if place.kind == "device"
            else PartSeen(bench_result="sound", bench_note="Draws and switches as a new one.")
        )
        part_look(part=part, seen=seen, version=part.version, by=by)
