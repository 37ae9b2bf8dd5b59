"""The test before a path goes back to service."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from django.db import transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import locked_one
from core.problems import Conflict, Defect, Stale
from core.text_checks import line_defects, refuse_defects
from faults.forms.known import meter_document
from faults.left_things import SPOILS_A_TEST
from faults.left_words import left_words
from faults.leg_doubts import leg_warnings, terminal_warnings
from faults.models.call import CallMove, FaultCall
from faults.models.return_test import ReturnTest, ReturnTestLeg, SoundSource
from faults.services.as_left import left_live
from faults.services.call_moves import MOST_WORDS
from faults.services.leg_expectations import legs_expected, legs_predicted, terminals_least
from faults.services.leg_judgement import JudgedLeg, Judgement, judged
from faults.services.repair_failures import newest_repair
from faults.services.repairs import refuse_unless
from faults.services.sound_records import (
    LegSound,
    leg_defects,
    number_defects,
    sound_write,
)
from faults.tracing.plausible import most_standing_ma
from faults.tracing.problem import Meter
from faults.tracing.rig_places import legs_of
from faults.transitions import CallState
from sites.models.wire_path import WirePath
from sites.network import elements
from sites.network_snapshot import path_network

QUIET_MIN = 5.0
"""For so long no message may be shown."""


@dataclass(frozen=True)
class LegReading:
    """What a leg reads at the controller, coil out; volts, ohms and megohms as far as taken."""

    leg: str
    current_ma: float
    far_v: float | None = None
    far_ohm: float | None = None
    insulation_mohm: float | None = None

    def defects(self, pointer: str) -> Iterator[Defect]:
        """What does not fit, with JSON pointers below ``pointer``."""
        yield from number_defects(f"{pointer}/current_ma", self.current_ma, 1_000_000.0)
        yield from number_defects(f"{pointer}/far_v", self.far_v, 1000.0)
        yield from number_defects(f"{pointer}/far_ohm", self.far_ohm, 1e9)
        yield from number_defects(f"{pointer}/insulation_mohm", self.insulation_mohm, 1e9)


@dataclass(frozen=True)
class ReturnReadings:
    """A return test as it was made. ``quiet_min``: minutes without a message, the path on and the
    coil out. ``meter``: what is known of its spread; ``meter_name`` goes to the sound record."""

    legs: tuple[LegReading, ...]
    quiet_min: float
    message_shown: bool = False
    coil_out: bool = True
    terminal_v: float | None = None
    wet: bool | None = None
    meter: Meter = field(default_factory=Meter)
    meter_name: str = ""
    note: str = ""

    def defects(self) -> Iterator[Defect]:
        """What does not fit, with JSON pointers."""
        yield from number_defects("/quiet_min", self.quiet_min, 100_000.0)
        yield from number_defects("/terminal_v", self.terminal_v, 1000.0)
        yield from line_defects("/meter_name", self.meter_name, 120)
        yield from line_defects("/note", self.note, MOST_WORDS)
        for number, leg in enumerate(self.legs):
            yield from leg.defects(f"/legs/{number}")


def return_test_record(*, call: FaultCall, readings: ReturnReadings, by: Actor) -> ReturnTest:
    """Write down a return test of a call that is *return-testing*; whether it passed, and why
    not, is in the row. What a passed one read is the newest sound record of each leg.

    Run outside a transaction, for the circuit is solved here. Raises Invalid, Conflict where the
    call has no path or the map cannot be solved, IllegalMove where the call is in another state,
    Stale where the map changed meanwhile.
    """
    seen = FaultCall.objects.select_related("path").get(pk=call.pk)
    if seen.path is None:
        raise Conflict("The call names no wire path yet: say which one it is about first.")
    network = path_network(seen.path)
    legs = legs_of(network)
    defects = (*readings.defects(), *leg_defects([one.leg for one in readings.legs], legs))
    refuse_defects("return test", defects)
    predicted = legs_predicted(network)
    with transaction.atomic():
        held = locked_one(call)
        refuse_unless(held, CallState.RETURN_TESTING, "A return test comes after the repair")
        path = WirePath.objects.get(pk=seen.path.pk)
        if held.path_id != path.pk or path.revision != seen.path.revision:
            raise Stale("The call or its map was changed meanwhile: read it again.")
        should = legs_expected(path, predicted, readings.meter)
        judgement = judged(should, readings.legs, terminals_least(predicted))
        warnings = tuple(_warnings(network, readings, judgement))
        return _write(held, path, _Weighed(readings, judgement, warnings), by)


@dataclass(frozen=True)
class _Weighed:
    """Readings, what they were held against, and what of them is doubted."""

    readings: ReturnReadings
    judged: Judgement[LegReading]
    warnings: tuple[str, ...]


def _warnings(
    network: elements.WirePath, readings: ReturnReadings, judgement: Judgement[LegReading]
) -> Iterator[str]:
    yield from leg_warnings(network, readings.legs, coil=not readings.coil_out)
    yield from terminal_warnings(network, readings.terminal_v)
    most = most_standing_ma(network)
    for one in judgement.legs:
        if one.reading is not None and one.should.expected.span_ma[1] >= most:
            yield (
                f"Leg {one.should.leg}: by a meter like this no current that can flow would lie "
                "outside, so its current proves nothing: read it with a finer one."
            )


def _failures(held: FaultCall, weighed: _Weighed) -> Iterator[str]:
    readings = weighed.readings
    spoils = left_live(held.path_id).filter(kind__in=SPOILS_A_TEST)
    yield from (f"left on the path: {left_words(item)}" for item in spoils)
    if not readings.coil_out:
        yield "the series coil is in"
    if readings.message_shown:
        yield "the controller showed a message"
    if readings.quiet_min < QUIET_MIN:
        yield f"watched for {readings.quiet_min:g} minutes; {QUIET_MIN:g} are wanted"
    yield from weighed.judged.failures(readings.terminal_v)


def _write(held: FaultCall, path: WirePath, weighed: _Weighed, by: Actor) -> ReturnTest:
    readings, terminals = weighed.readings, weighed.judged.terminals
    failures = list(_failures(held, weighed))
    test = ReturnTest(
        call=held,
        path=path,
        revision=path.revision,
        repair=newest_repair(held),
        after_move=CallMove.objects.filter(call=held).latest("pk"),
        coil_out=readings.coil_out,
        quiet_min=readings.quiet_min,
        message_shown=readings.message_shown,
        terminal_v=readings.terminal_v,
        least_terminal_v=terminals.volts if terminals else None,
        least_terminal_v_basis=terminals.basis if terminals else "",
        wet=readings.wet,
        meter=meter_document(readings.meter),
        note=readings.note,
        passed=not failures,
        failures=failures,
        warnings=list(weighed.warnings),
        at=now(),
        by_kind=by.kind,
        by_id=by.public_id,
        by_name=by.name,
    )
    test.save()
    ReturnTestLeg.objects.bulk_create(
        _leg_row(test, one, one.reading) for one in weighed.judged.legs if one.reading is not None
    )
    change_record(
        by=by,
        action="return-test.recorded",
        thing=("return-test", test.public_id),
        thread_id=held.public_id,
        after={"call": held.public_id, "passed": test.passed, "failures": failures},
    )
    if test.passed:
        sounds = [_sound(one, readings) for one in readings.legs]
        sound_write(path=path, source=SoundSource.RETURN_TEST, legs=sounds, by=by, test=test)
    return test


def _leg_row(test: ReturnTest, one: JudgedLeg[LegReading], reading: LegReading) -> ReturnTestLeg:
    should = one.should
    return ReturnTestLeg(
        test=test,
        leg=should.leg,
        current_ma=reading.current_ma,
        far_v=reading.far_v,
        far_ohm=reading.far_ohm,
        insulation_mohm=reading.insulation_mohm,
        expected_ma=should.expected.current_ma,
        sigma_ma=should.expected.sigma_ma,
        basis=should.basis,
        least_far_v=should.least.volts if should.least else None,
        least_far_v_basis=should.least.basis if should.least else "",
        within=not any(one.failures),
    )


def _sound(one: LegReading, readings: ReturnReadings) -> LegSound:
    return LegSound(
        leg=one.leg,
        current_ma=one.current_ma,
        far_v=one.far_v,
        insulation_mohm=one.insulation_mohm,
        wet=readings.wet,
        meter=readings.meter_name,
    )
