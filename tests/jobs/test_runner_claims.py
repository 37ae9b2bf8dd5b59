"""Which jobs a runner takes side by side."""

from __future__ import annotations

import time_machine

from core.accounts.actor import Actor
from core.jobs.claim import claim_job
from core.jobs.runner import Runner
from tests.jobs.test_claims import LEASE_S, START, enqueue


def test_of_jobs_whose_worker_was_lost_a_runner_takes_one_at_a_time(by: Actor) -> None:
    """Two were lost together, and one of them may be what kills workers."""
    runner = Runner(threads=0, beat=None)
    with time_machine.travel(START, tick=False) as time:
        lost = [enqueue(by), enqueue(by)]
        for job in lost:
            assert claim_job(job.pk)
        fresh = enqueue(by)
        time.shift(LEASE_S + 1)
        first, second, third = runner._claim(), runner._claim(), runner._claim()
        assert first is not None
        assert second is not None
        assert (first.claim.job_pk, second.claim.job_pk) == (lost[0].pk, fresh.pk)
        assert third is None
        runner._suspects.discard(first)
        last = runner._claim()
        assert last is not None
        assert last.claim.job_pk == lost[1].pk
