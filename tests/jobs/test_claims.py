"""A job is claimed by one worker, and only its holder can write."""

from __future__ import annotations

import datetime as dt

import pytest
import time_machine

from core.accounts.actor import Actor
from core.jobs.ask import job_ask_again, job_cancel, job_enqueue
from core.jobs.claim import Claim, claim_job, claim_next
from core.jobs.kinds import UnknownKindError
from core.jobs.run import ClaimLostError, JobRun, run_claimed, run_job
from core.jobs.selectors import job_counts, job_get, job_list
from core.jobs.settle import back_off_s, fail, is_held, release, renew_lease
from core.jobs.sweep import sweep
from core.models import Change, Contractor, Job, JobState
from core.problems import Conflict, IllegalMove, NotFound
from core.tenancy.scope import contractor_scope
from tests.jobs.work import tasks

START = dt.datetime(2026, 3, 1, 8, 0, tzinfo=dt.UTC)
LEASE_S = 60


def enqueue(by: Actor, kind: str = "test.append", **options: object) -> Job:
    return job_enqueue(by=by, kind=kind, payload={}, **options)  # type: ignore[arg-type]


def claimed(job: Job) -> Claim:
    claim = claim_job(job.pk)
    assert claim is not None
    return claim


def effects() -> int:
    return Change.objects.filter(action=tasks.EFFECT).count()


def test_a_job_is_run_once_and_leaves_its_effect_and_result(by: Actor) -> None:
    job = enqueue(by)
    assert run_job(job.pk)
    assert not run_job(job.pk)
    job.refresh_from_db()
    assert (job.state, job.attempts, job.result) == (JobState.DONE, 1, {"attempt": 1})
    assert job.progress_share == 1.0
    assert effects() == 1


def test_of_two_who_saw_the_same_job_one_gets_it(by: Actor) -> None:
    job = enqueue(by)
    first = claim_job(job.pk)
    assert first is not None
    assert claim_job(job.pk) is None
    assert claim_next() is None
    assert is_held(first)


def test_jobs_are_taken_oldest_first(by: Actor) -> None:
    jobs = [enqueue(by) for _ in range(3)]
    taken = [claim_next() for _ in range(3)]
    assert [claim.job_pk for claim in taken if claim] == [job.pk for job in jobs]


def test_a_handler_works_in_the_scope_of_the_jobs_contractor(
    by: Actor, other_contractor: Contractor
) -> None:
    job = enqueue(by)
    with contractor_scope(other_contractor.pk):
        assert run_job(job.pk)
        assert effects() == 0
    assert effects() == 1


def test_a_job_is_taken_over_after_its_lease_and_the_first_run_writes_nothing(by: Actor) -> None:
    with time_machine.travel(START, tick=False) as time:
        job = enqueue(by)
        first = claimed(job)
        time.shift(LEASE_S - 1)
        assert claim_next() is None
        time.shift(2)
        second = claim_next()
        assert second is not None
        assert (second.attempt, second.token != first.token) == (2, True)
        with pytest.raises(ClaimLostError):
            tasks.append(JobRun(first))
        assert effects() == 0
        tasks.append(JobRun(second))
        assert effects() == 1


def test_a_run_that_lost_its_job_can_neither_fail_nor_release_nor_renew_it(by: Actor) -> None:
    with time_machine.travel(START, tick=False) as time:
        job = enqueue(by)
        first = claimed(job)
        time.shift(LEASE_S + 1)
        second = claimed(job)
        before = Job.objects.values().get(pk=job.pk)
        assert fail(first, "late") is None
        assert release(first) is False
        assert renew_lease(first) is False
        run = JobRun(first)
        run.progress(0.5, "late")
        assert run.lost.is_set()
        assert Job.objects.values().get(pk=job.pk) == before
        assert is_held(second)


def test_a_done_job_stays_done_whatever_its_run_says_after(by: Actor) -> None:
    """A commit may have worked although its answer was lost; the handler then sees an error."""
    job = enqueue(by)
    claim = claimed(job)
    tasks.append(JobRun(claim))
    assert fail(claim, "the connection is closed") is None
    assert release(claim) is False
    with pytest.raises(ClaimLostError):
        tasks.append(JobRun(claim))
    job.refresh_from_db()
    assert (job.state, job.attempts, job.error) == (JobState.DONE, 1, "")
    assert effects() == 1


def test_a_heartbeat_keeps_a_job_past_its_lease(by: Actor) -> None:
    with time_machine.travel(START, tick=False) as time:
        first = claimed(enqueue(by))
        for _ in range(5):
            time.shift(LEASE_S - 5)
            assert renew_lease(first)
            assert claim_next() is None


def test_a_failed_attempt_leaves_no_effect_waits_and_after_the_last_is_dead(by: Actor) -> None:
    with time_machine.travel(START, tick=False) as time:
        job = enqueue(by, "test.raises")
        for attempt in (1, 2, 3):
            assert run_job(job.pk)
            job.refresh_from_db()
            assert job.attempts == attempt
            assert job.error == "ArithmeticError: always"
            if attempt < 3:
                assert job.state == JobState.QUEUED
                assert not run_job(job.pk), "it has to wait first"
                time.shift(600)
        assert job.state == JobState.DEAD
        time.shift(86_400)
        assert not run_job(job.pk)
        assert claim_next() is None
        assert effects() == 0
        assert list(job_list(state=JobState.DEAD)) == [job]
        assert job_counts()[JobState.DEAD] == 1


def test_a_job_whose_worker_is_always_lost_ends_dead_and_not_in_a_circle(by: Actor) -> None:
    with time_machine.travel(START, tick=False) as time:
        job = enqueue(by, "test.crashes")
        for _ in range(3):
            claimed(job)
            time.shift(LEASE_S + 1)
        assert claim_job(job.pk) is None
        assert sweep().buried == 1
        job.refresh_from_db()
        assert job.state == JobState.DEAD
        assert "every attempt" in job.error


def test_giving_up_is_final_and_keeps_the_words(by: Actor) -> None:
    job = enqueue(by, "test.gives_up")
    run_job(job.pk)
    job.refresh_from_db()
    assert (job.state, job.attempts) == (JobState.DEAD, 1)
    assert job.error == "the map has no such node"


def test_a_kind_without_a_handler_fails_in_words(by: Actor) -> None:
    with pytest.raises(UnknownKindError, match=r"no handler for .* 'test\.nothing'"):
        enqueue(by, "test.nothing")
    job = enqueue(by)
    Job.objects.filter(pk=job.pk).update(kind="test.nothing")
    run_job(job.pk)
    job.refresh_from_db()
    assert job.state == JobState.QUEUED
    assert "test.nothing" in job.error


def test_a_process_told_to_end_gives_its_job_back_unharmed(by: Actor) -> None:
    job = enqueue(by)
    claim = claimed(job)
    assert release(claim)
    job.refresh_from_db()
    assert (job.state, job.attempts, job.token) == (JobState.QUEUED, 0, "")
    assert claim_next() is not None


@pytest.mark.parametrize("ending", [SystemExit, KeyboardInterrupt])
def test_what_ends_the_process_is_no_failure_of_the_job(
    by: Actor, monkeypatch: pytest.MonkeyPatch, ending: type[BaseException]
) -> None:
    def end(_self: JobRun) -> None:
        raise ending

    job = enqueue(by)
    monkeypatch.setattr(JobRun, "cancelled", end)
    Job.objects.filter(pk=job.pk).update(payload={"seconds": 1.0})
    with pytest.raises(ending):
        run_claimed(JobRun(claimed(job)))
    job.refresh_from_db()
    assert (job.state, job.attempts, job.error) == (JobState.QUEUED, 0, "")


def test_a_cancelled_job_is_not_started(by: Actor) -> None:
    job = job_cancel(job=enqueue(by), by=by)
    assert not run_job(job.pk)
    with pytest.raises(IllegalMove, match="cancelled") as refused:
        job_cancel(job=job, by=by)
    assert refused.value.extra == {"legal": ["ask again"]}


def test_a_cancelled_run_writes_nothing_and_sees_it(by: Actor) -> None:
    job = enqueue(by)
    run = JobRun(claimed(job))
    assert not run.cancelled()
    job_cancel(job=job, by=by)
    run_claimed(run)
    job.refresh_from_db()
    assert job.state == JobState.CANCELLED
    assert effects() == 0
    assert JobRun(run.claim).cancelled()


def test_a_done_job_cannot_be_called_off(by: Actor) -> None:
    job = enqueue(by)
    run_job(job.pk)
    with pytest.raises(IllegalMove):
        job_cancel(job=job, by=by)
    assert effects() == 1


def test_a_dead_job_asked_again_has_all_its_attempts(by: Actor) -> None:
    job = enqueue(by, "test.gives_up")
    run_job(job.pk)
    job.refresh_from_db()
    again = job_ask_again(job=job, by=by)
    assert (again.state, again.attempts) == (JobState.QUEUED, 0)
    assert claim_next() is not None
    with pytest.raises(IllegalMove):
        job_ask_again(job=job, by=by)
    recorded = Change.objects.filter(object_id=job.public_id).values_list("action", flat=True)
    assert list(recorded) == ["job.asked-again"]


def test_the_same_key_answers_the_same_job_whatever_became_of_it(by: Actor) -> None:
    first = enqueue(by, dedupe_key="rates 2026-03-01")
    assert enqueue(by, dedupe_key="rates 2026-03-01") == first
    run_job(first.pk)
    assert enqueue(by, dedupe_key="rates 2026-03-01") == first
    assert Job.objects.count() == 1
    with pytest.raises(Conflict, match=first.public_id):
        enqueue(by, "test.raises", dedupe_key="rates 2026-03-01")
    assert enqueue(by) != enqueue(by), "no key, no dedupe"


def test_a_key_is_the_contractors_own(by: Actor, other_contractor: Contractor) -> None:
    mine = enqueue(by, dedupe_key="nightly")
    with contractor_scope(other_contractor.pk):
        theirs = Actor("system", "tests", "tests", other_contractor.pk)
        assert enqueue(theirs, dedupe_key="nightly") != mine
        with pytest.raises(NotFound):
            job_get(mine.public_id)
    assert job_get(mine.public_id) == mine


def test_a_job_for_later_waits(by: Actor) -> None:
    with time_machine.travel(START, tick=False) as time:
        enqueue(by, run_after=START + dt.timedelta(hours=1))
        assert claim_next() is None
        time.shift(3600)
        assert claim_next() is not None


@pytest.mark.parametrize("payload", [{"at": START}, {"x": float("nan")}, {"x": {1, 2}}])
def test_a_payload_has_to_be_json(by: Actor, payload: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="has to be JSON"):
        job_enqueue(by=by, kind="test.append", payload=payload)


def test_back_off_doubles_up_to_a_cap_with_jitter() -> None:
    for attempt, full_s in [(1, 2.0), (2, 4.0), (5, 32.0), (9, 512.0), (10, 600.0), (500, 600.0)]:
        drawn = [back_off_s(attempt) for _ in range(200)]
        assert full_s / 2 <= min(drawn) <= max(drawn) <= full_s
        assert max(drawn) - min(drawn) > full_s / 8
