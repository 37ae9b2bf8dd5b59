"""Putting right what a trace of the demo found, and testing the path before it is used again."""

from __future__ import annotations

from core.accounts.actor import Actor
from demo.register import Registered
from demo.simulated_ground import as_it_is
from faults.forms.place import place_document
from faults.models import FaultCall, Repair
from faults.selectors.as_left import as_left_list
from faults.services.as_left import LeftAnswer
from faults.services.repairs import PartUsed, RepairDetails, repair_record
from faults.services.return_tests import LegReading, ReturnReadings, return_test_record
from faults.tracing.rig_places import legs_of
from sites.network.faults import Place
from sites.network.solve import solve

NEW_SPLICE = "gel-filled twist-on"
_PARTS = {
    "splice": (PartUsed(NEW_SPLICE, 2),),
    "device": (PartUsed("decoder"), PartUsed(NEW_SPLICE, 2)),
    "segment": (PartUsed("cable, metres", 4), PartUsed(NEW_SPLICE, 4)),
}
_KINDS = {"splice": "splice", "device": "device", "segment": "cable"}
_QUIET_MIN = 6.0


def all_restored(registered: Registered) -> tuple[LeftAnswer, ...]:
    """Everything that is left on the path, put back."""
    left = as_left_list(registered.path)
    return tuple(LeftAnswer(item.public_id, "restored") for item in left)


def repair_made(
    call: FaultCall, place: Place, minutes: float, note: str, technician: Actor
) -> Repair:
    """The repair at a place, written down."""
    parts = _PARTS[place.kind]
    details = RepairDetails(
        kind=_KINDS[place.kind],
        minutes=round(minutes),
        at_place=place_document(place),
        parts=parts,
        splice_kind=NEW_SPLICE,
        splices_made=parts[-1].count,
        note=note,
    )
    return repair_record(call=call, details=details, by=technician)


def path_tested(
    call: FaultCall, registered: Registered, technician: Actor, *, wet: bool = False
) -> None:
    """The return test, with what the sound path really draws. Raises RuntimeError where it does
    not pass: the invented path is not as its map has it then."""
    ground = as_it_is(registered.laid.path)
    solution = solve(ground)
    controller = ground.controller.id
    legs = tuple(
        LegReading(leg, round(solution.current_ma(controller, leg))) for leg in legs_of(ground)
    )
    readings = ReturnReadings(
        legs=legs, quiet_min=_QUIET_MIN, wet=wet, meter_name="milliamp clamp meter"
    )
    test = return_test_record(call=call, readings=readings, by=technician)
    if not test.passed:
        raise RuntimeError(f"{registered.path.label} does not pass: {test.failures}")
