"""Looking at a repair again when it is wet."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from zoneinfo import ZoneInfo

from django.db import transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import locked_one, refuse_past
from core.problems import Defect, IllegalMove
from core.text_checks import line_defects, refuse_defects
from faults.models.call import FaultCall
from faults.models.repair import Repair, SoakCheck, SoakCheckLeg, SoakState
from faults.services.call_moves import Move, call_moved, other_open_call
from faults.services.repair_failures import repair_failure_write
from faults.services.soak_judgement import SoakJudged, soak_standard
from faults.services.sound_records import leg_defects, number_defects
from faults.services.work_rules import work_rules
from faults.tracing.rig_places import legs_of
from faults.transitions import CallState
from sites.models.wire_path import WirePath
from sites.network_snapshot import path_network

_MOST = {"current_ma": 1_000_000.0, "far_v": 1000.0, "insulation_mohm": 1e9}


@dataclass(frozen=True)
class SoakLeg:
    """What a leg reads, coil out: its current at the controller, volts at its far end, megohms to
    earth with the path off; as far as taken."""

    leg: str
    current_ma: float | None = None
    far_v: float | None = None
    insulation_mohm: float | None = None

    def defects(self, pointer: str) -> Iterator[Defect]:
        """What does not fit, with JSON pointers below ``pointer``."""
        for name, most in _MOST.items():
            yield from number_defects(f"{pointer}/{name}", getattr(self, name), most)
        if all(getattr(self, name) is None for name in _MOST):
            yield Defect(pointer, "nothing was read", f"some of {', '.join(_MOST)}")


@dataclass(frozen=True)
class SoakReadings:
    """What was read at a soak check; nothing where somebody only looked. ``terminal_v``: at the
    controller's terminals. ``wet``: the ground; None: not said."""

    legs: tuple[SoakLeg, ...] = ()
    terminal_v: float | None = None
    wet: bool | None = None
    meter: str = ""

    @property
    def has_values(self) -> bool:
        """Whether a meter was read."""
        return bool(self.legs) or self.terminal_v is not None

    def defects(self, path: WirePath | None) -> Iterator[Defect]:
        """What does not fit the call's path, with JSON pointers."""
        yield from number_defects("/terminal_v", self.terminal_v, 1000.0)
        yield from line_defects("/meter", self.meter, 120)
        for number, one in enumerate(self.legs):
            yield from one.defects(f"/legs/{number}")
        if self.legs:
            there = legs_of(path_network(path)) if path is not None else ()
            yield from leg_defects([one.leg for one in self.legs], there)


def soak_check_begin(*, repair: Repair, time_zone: str) -> SoakCheck:
    """The check of a repair, due by the contractor's days, within the caller's transaction."""
    rules = work_rules()
    day = repair.at.astimezone(ZoneInfo(time_zone)).date()
    return SoakCheck.objects.create(
        repair=repair,
        due_from=day + dt.timedelta(days=rules.soak_from_days),
        due_by=day + dt.timedelta(days=rules.soak_by_days),
    )


def soak_check_done(
    *,
    check: SoakCheck,
    state: str,
    note: str = "",
    readings: SoakReadings | None = None,
    version: int,
    by: Actor,
) -> SoakCheck:
    """Say what a check came to: *held*, *failed*, or *dropped* with a reason; and what was read.

    One that failed links back to the repair, and opens the call again where it was closed; where
    another call has been opened on the path, it links to that one. What was read is held against
    what a return test would hold it against, and the row says what lies outside: whoever looked
    decides what it means. Run outside a transaction where something was read, for the circuit is
    solved here. Raises Invalid, Stale, also where the map changed meanwhile, IllegalMove where it
    is done already.
    """
    read, path = readings or SoakReadings(), check.repair.call.path
    _refuse_unfit(state, note, read, path)
    standard = soak_standard(path) if path is not None and read.has_values else None
    with transaction.atomic():
        call = locked_one(FaultCall(pk=check.repair.call_id))
        held = locked_one(check)
        refuse_past("soak check", held.version, version, state=held.state)
        if held.state != SoakState.OPEN:
            raise IllegalMove(f"The soak check is done: {held.state}.", extra={"legal": []})
        judged = standard.judged(read.legs, read.terminal_v) if standard is not None else None
        held.state, held.note = state, note
        held.done_at = now()
        held.done_by_kind, held.done_by_id, held.done_by_name = by.kind, by.public_id, by.name
        _write_readings(held, read, judged)
        change_record(
            by=by,
            action="soak-check.done",
            thing=("soak-check", held.public_id),
            thread_id=call.public_id,
            after={
                "state": state,
                "note": note,
                "readings": asdict(read),
                "outside": held.outside,
            },
        )
        if state == SoakState.FAILED:
            _failed(held.repair, call, note, by)
        return held


def _write_readings(held: SoakCheck, read: SoakReadings, judged: SoakJudged | None) -> None:
    held.terminal_v, held.wet, held.meter = read.terminal_v, read.wet, read.meter
    if judged is not None:
        held.outside, held.warnings = list(judged.outside), list(judged.warnings)
        if judged.terminals is not None:
            held.least_terminal_v = judged.terminals.volts
            held.least_terminal_v_basis = judged.terminals.basis
    held.version += 1
    held.save()
    for one in read.legs:
        row = SoakCheckLeg(soak_check=held, **asdict(one))
        found = judged.legs.get(one.leg) if judged is not None else None
        if found is not None:
            should, row.within = found
            row.least_ma, row.most_ma = should.expected.span_ma
            row.basis = should.basis
            if should.least is not None:
                row.least_far_v, row.least_far_v_basis = should.least.volts, should.least.basis
        row.save()


def _refuse_unfit(state: str, note: str, readings: SoakReadings, path: WirePath | None) -> None:
    ends = (SoakState.HELD, SoakState.FAILED, SoakState.DROPPED)
    defects = [*line_defects("/note", note, 450), *readings.defects(path)]
    if state not in ends:
        defects.append(Defect("/state", f"{state[:20]!r} is no end", f"one of {', '.join(ends)}"))
    if state in (SoakState.FAILED, SoakState.DROPPED) and not note.strip():
        defects.append(Defect("/note", f"{state} wants a reason", "say why in a few words"))
    if state == SoakState.DROPPED and readings != SoakReadings():
        defects.append(Defect("/state", "something was read", "held or failed"))
    refuse_defects("soak check", defects)


def _failed(repair: Repair, call: FaultCall, note: str, by: Actor) -> None:
    why = f"the soak check failed: {note}"
    shown_in = other_open_call(call) or call
    if shown_in == call and call.state == CallState.CLOSED:
        call_moved(held=call, move=Move(CallState.REPORTED, why), by=by, failed=repair)
        return
    repair_failure_write(repair=repair, call=shown_in, why=why, by=by)
