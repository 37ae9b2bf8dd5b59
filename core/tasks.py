"""Core's own schedule."""

from __future__ import annotations

from core.changes.sequencer import sequence_changes
from core.jobs.beat import every
from core.jobs.sweep import sweep


@every(5, "sweep jobs", in_transaction=False)
def _sweep_jobs() -> None:
    sweep()


@every(1, "sequence changes", in_transaction=False)
def _sequence_changes() -> None:
    sequence_changes()
