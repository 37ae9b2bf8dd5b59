"""A child process computes within its limits, and ends when told."""

from __future__ import annotations

import time

import pytest

from core.jobs.child import (
    ChildCancelledError,
    ChildFailedError,
    ChildLimits,
    ChildTimeoutError,
    run_in_child,
)

PURE = "tests.jobs.work.pure"
SMALL = ChildLimits(memory_mb=200, time_s=60.0)


def test_a_child_answers() -> None:
    assert run_in_child(f"{PURE}:double", {"number": 21}, limits=SMALL) == {"twice": 42}


def test_a_child_that_eats_memory_fails_in_words() -> None:
    with pytest.raises(ChildFailedError, match="MemoryError"):
        run_in_child(f"{PURE}:eat", None, limits=SMALL)


def test_a_child_that_raises_fails_in_its_words() -> None:
    with pytest.raises(ChildFailedError, match="no such conductor"):
        run_in_child(f"{PURE}:fail", None, limits=SMALL)


def test_a_child_is_ended_at_its_time() -> None:
    started_s = time.monotonic()
    with pytest.raises(ChildTimeoutError, match=r"more than 0\.5 s"):
        run_in_child(f"{PURE}:sleep", 60, limits=ChildLimits(memory_mb=200, time_s=0.5))
    assert time.monotonic() - started_s < 30.0


def test_a_child_is_ended_when_its_job_is_called_off() -> None:
    started_s = time.monotonic()
    with pytest.raises(ChildCancelledError):
        run_in_child(f"{PURE}:sleep", 60, limits=SMALL, cancelled=lambda: True)
    assert time.monotonic() - started_s < 30.0


@pytest.mark.parametrize("limits", [{"memory_mb": 10}, {"time_s": 0.0}])
def test_limits_that_make_no_sense_are_refused(limits: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="expected"):
        ChildLimits(**limits)  # type: ignore[arg-type]
