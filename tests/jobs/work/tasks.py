"""Kinds of jobs for the tests. Their effect is a change of its own, so effects can be counted."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from core.changes.record import change_record
from core.jobs.beat import every
from core.jobs.child import ChildLimits, run_in_child
from core.jobs.kinds import job_kind
from core.jobs.run import GiveUp, JobRun
from core.models.jobs import BeatSlot

EFFECT = "test.effect"
BEAT = "test beat"
BEAT_FILE = "CLAMPLINE_TEST_BEAT_FILE"


def write_effect(run: JobRun) -> None:
    with run.finishing() as finish:
        change_record(
            by=run.by,
            action=EFFECT,
            thing=("job", run.claim.job_id),
            after={"attempt": run.attempt},
        )
        finish.result = {"attempt": run.attempt}


@job_kind("test.append", max_attempts=20)
def append(run: JobRun) -> None:
    """Take some seconds, then leave one effect."""
    end_s = time.monotonic() + float(run.payload.get("seconds", 0.0))
    while (left_s := end_s - time.monotonic()) > 0.0:
        time.sleep(min(0.05, left_s))
        if run.cancelled():
            break
    write_effect(run)


@job_kind("test.raises", max_attempts=3)
def raises(run: JobRun) -> None:
    """Write an effect and then fail, so that the effect must not be seen."""
    with run.finishing():
        change_record(
            by=run.by,
            action=EFFECT,
            thing=("job", run.claim.job_id),
        )
        raise ArithmeticError("always")


@job_kind("test.crashes", max_attempts=3)
def crashes(run: JobRun) -> None:
    """Take the whole process along."""
    os.kill(os.getpid(), signal.SIGKILL)


@job_kind("test.eats", max_attempts=3)
def eats(run: JobRun) -> None:
    """Eat memory without end, in a child that may not."""
    run_in_child("tests.jobs.work.pure:eat", None, limits=ChildLimits(memory_mb=200, time_s=60.0))
    write_effect(run)


@job_kind("test.gives_up")
def gives_up(run: JobRun) -> None:
    raise GiveUp("the map has no such node")


@job_kind("test.hangs", max_attempts=2, limit_s=1.0)
def hangs(run: JobRun) -> None:
    """Hang past the limit and ignore being told to stop."""
    time.sleep(3600.0)


@every(1, BEAT, in_transaction=False)
def leave_a_line() -> None:
    """One line for each slot, in the file that the test named: when it was taken, and by whom."""
    name = os.environ.get(BEAT_FILE)
    if name:
        taken_at = BeatSlot.objects.get(name=BEAT).last_run_at
        assert taken_at is not None
        with Path(name).open("a", encoding="utf-8") as file:
            file.write(f"{taken_at.timestamp():.6f} {os.getpid()}\n")
