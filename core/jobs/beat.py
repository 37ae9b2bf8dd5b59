"""What runs by schedule. Any number of beats may run: of each slot one of them gets it.

A slot is taken by compare-and-set on its last run. Slots missed while nothing ran are not made up
for, and a clock set back by an hour does not stop the schedule for an hour.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import dataclass, field

from django.db import DatabaseError, connection, transaction

from core import clock
from core.jobs.kinds import load_tasks
from core.jobs.stale import drop_stale_connection
from core.models.jobs import BeatSlot

log = logging.getLogger("core.jobs")

Scheduled = Callable[[], object]
_PAUSE_AFTER_FAILURE_S = 60.0


@dataclass(frozen=True, slots=True)
class Schedule:
    """``in_transaction``: taking the slot and what it does are kept together or not at all."""

    name: str
    every_s: float
    act: Scheduled
    in_transaction: bool


_schedules: dict[str, Schedule] = {}


def every(
    seconds: float, name: str, *, in_transaction: bool = True
) -> Callable[[Scheduled], Scheduled]:
    """Run the decorated function once in so many seconds, whoever's beat it is.

    It has to be short, as asking for jobs is; what takes longer is a job. With ``in_transaction``
    a slot whose function fails is not used up. Without it (for functions with transactions of
    their own) a failure waits for the next slot. Raises ValueError for a name that is taken.
    """
    if seconds <= 0:
        raise ValueError(f"every {seconds} s; expected 0 < x")

    def register(act: Scheduled) -> Scheduled:
        if name in _schedules:
            raise ValueError(f"two schedules are named {name!r}")
        _schedules[name] = Schedule(name, seconds, act, in_transaction)
        return act

    return register


@dataclass(slots=True)
class Beat:
    """One process's beat; it remembers only what failed here, so as not to try it each second."""

    schedules: dict[str, Schedule] = field(default_factory=lambda: _schedules)
    _quiet_until_s: dict[str, float] = field(default_factory=dict)

    def tick(self) -> list[str]:
        """Run what is due and not another beat's; the names of what was run."""
        load_tasks()
        return [name for name in list(self.schedules) if self._run(self.schedules[name])]

    def _run(self, schedule: Schedule) -> bool:
        if time.monotonic() < self._quiet_until_s.get(schedule.name, 0.0):
            return False
        together = transaction.atomic() if schedule.in_transaction else nullcontext()
        try:
            if not is_due(schedule):
                return False
            with together:
                if not take_slot(schedule):
                    return False
                schedule.act()
        except Exception:
            log.exception("the schedule %r failed", schedule.name)
            pause_s = min(schedule.every_s, _PAUSE_AFTER_FAILURE_S)
            self._quiet_until_s[schedule.name] = time.monotonic() + pause_s
            drop_stale_connection()
            return False
        return True


def is_due(schedule: Schedule) -> bool:
    """A look without a lock, so that an idle beat writes nothing."""
    slot = BeatSlot.objects.filter(name=schedule.name).first()
    if slot is None or slot.last_run_at is None:
        return True
    waited_s = (clock.now() - slot.last_run_at).total_seconds()
    return waited_s < 0 or waited_s >= schedule.every_s


def take_slot(schedule: Schedule) -> bool:
    """Take the slot that is due now; False: none is, or another beat has it."""
    at = clock.now()
    slot, _ = BeatSlot.objects.get_or_create(name=schedule.name)
    last = slot.last_run_at
    if last is not None and last > at:
        # The clock was set back: count from now on.
        BeatSlot.objects.filter(name=schedule.name, last_run_at=last).update(last_run_at=at)
        return False
    if last is not None and (at - last).total_seconds() < schedule.every_s:
        return False
    taken = BeatSlot.objects.filter(name=schedule.name, last_run_at=last).update(last_run_at=at)
    return bool(taken)


def tick_safely(beat: Beat) -> list[str]:
    """A tick that outlives a database which does not answer for a while."""
    try:
        return beat.tick()
    except DatabaseError as problem:
        log.warning("the database does not answer the beat: %s", problem)
        connection.close()
        return []
