"""Times and sizes of background work. Two can be set, mostly so that tests need not wait."""

from __future__ import annotations

from dataclasses import dataclass

from django.conf import settings

MAX_ATTEMPTS = 5
"""Attempts of a job whose kind says nothing else."""

MAX_RUN_S = 900.0
"""The longest a kind may ask for. The broker's own limit lies above it, its time-out above that."""

FIRST_BACK_OFF_S = 2.0
LONGEST_BACK_OFF_S = 600.0


@dataclass(frozen=True, slots=True)
class JobLimits:
    """``lease_s``: a worker that is not heard of for so long has lost its job to others.
    ``visibility_s``: the broker hands out again what was not acknowledged for so long.
    """

    lease_s: float = 60.0
    visibility_s: float = 3600.0

    def __post_init__(self) -> None:
        if not 0.0 < self.lease_s <= MAX_RUN_S:
            raise ValueError(f"lease_s is {self.lease_s}; expected 0 < x <= {MAX_RUN_S:g}")
        if self.visibility_s <= 0.0:
            raise ValueError(f"visibility_s is {self.visibility_s}; expected 0 < x")

    @property
    def heartbeat_s(self) -> float:
        """Seconds from one sign of life to the next."""
        return self.lease_s / 3.0


def job_limits() -> JobLimits:
    """The limits of this installation: ``JOB_LEASE_S`` and ``BROKER_VISIBILITY_S`` of settings."""
    return JobLimits(
        lease_s=float(getattr(settings, "JOB_LEASE_S", 60.0)),
        visibility_s=float(getattr(settings, "BROKER_VISIBILITY_S", 3600.0)),
    )
