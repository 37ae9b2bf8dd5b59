"""The runner on an SQLite file, killed, stopped, doubled and poisoned."""

from __future__ import annotations

import signal
import time
from collections import Counter
from itertools import pairwise

import pytest

from tests.services.conftest import Install
from tests.services.installation import all_once, kill_group
from tests.services.servers import wait_until

pytestmark = pytest.mark.slow


def test_killed_nine_times_in_a_row_no_job_is_lost_and_none_done_twice(
    install: Install,
) -> None:
    site = install(lease_s=3.0)
    jobs = site.ask(count=240, seconds=0.2).jobs
    started_s = time.monotonic()
    for kill in range(1, 10):
        runner = site.start("runner")
        site.wait_running()
        # At 3.2 s each, wherever in a job or a transaction that is; a slow machine takes longer.
        time.sleep(max(0.3, started_s + 3.2 * kill - time.monotonic()))
        kill_group(runner)
    assert site.states().get("done", 0) < len(jobs), "the kills came too late to hit anything"
    site.start("runner")
    site.wait_done(len(jobs))
    all_once(site, jobs)
    assert site.attempts() > len(jobs), "no kill hit a running job"
    assert site.rows("PRAGMA integrity_check") == [("ok",)]


def test_sigterm_lets_running_jobs_end(install: Install) -> None:
    site = install()
    jobs = site.ask(count=2, seconds=1.5).jobs
    runner = site.start("runner")
    wait_until(lambda: site.states().get("running", 0) == 2, "both run")
    runner.send_signal(signal.SIGTERM)
    assert runner.wait(60) == 0
    all_once(site, jobs)
    assert site.attempts() == 2


def test_sigterm_gives_back_what_does_not_end_in_time(install: Install) -> None:
    site = install()
    jobs = site.ask(count=1, seconds=30.0).jobs
    runner = site.start("runner", "--grace", "0.5")
    site.wait_running()
    runner.send_signal(signal.SIGTERM)
    assert runner.wait(60) == 0
    assert site.rows("SELECT state, attempts, token FROM core_job") == [("queued", 0, "")]
    assert site.effects() == Counter()
    assert len(jobs) == 1


def test_two_runners_do_each_job_once_and_take_each_slot_once(install: Install) -> None:
    site = install()
    runners = [site.start("runner"), site.start("runner")]
    jobs = site.ask(count=200, seconds=0.02).jobs
    site.wait_done(len(jobs))
    all_once(site, jobs)
    assert site.attempts() == len(jobs)
    wait_until(lambda: len(_beats(site.beat_file.read_text())) >= 8, "eight slots")
    for runner in runners:
        runner.send_signal(signal.SIGTERM)
        assert runner.wait(60) == 0
    beats = _beats(site.beat_file.read_text())
    gaps_s = [after - before for (before, _), (after, _) in pairwise(beats)]
    assert min(gaps_s) > 0.99, "a slot of one second was taken twice"


def _beats(text: str) -> list[tuple[float, int]]:
    pairs = [line.split() for line in text.splitlines()]
    return sorted((float(at), int(process)) for at, process in pairs)


def test_a_job_longer_than_its_lease_is_done_once(install: Install) -> None:
    site = install(lease_s=4.0)
    site.start("runner")
    site.start("runner")
    jobs = site.ask(count=2, seconds=9.0).jobs
    site.wait_done(len(jobs))
    all_once(site, jobs)
    assert site.attempts() == len(jobs), "a job was taken over although its worker was alive"


def test_poison_that_raises_or_eats_memory_ends_dead_beside_the_others(install: Install) -> None:
    site = install()
    poison = [site.ask(kind=kind).jobs[0] for kind in ("test.raises", "test.eats")]
    runner = site.start("runner")
    jobs = site.ask(count=20, seconds=0.05).jobs
    site.wait_done(len(jobs))
    wait_until(lambda: site.states().get("dead", 0) == len(poison), "poison is dead")
    assert runner.poll() is None
    all_once(site, jobs)
    errors = dict(site.rows("SELECT public_id, error FROM core_job WHERE state = 'dead'"))
    assert "always" in errors[poison[0]]
    assert "MemoryError" in errors[poison[1]]
    listed = site.manage("list_jobs")
    assert all(job in listed for job in poison)


def test_poison_that_kills_its_worker_ends_dead_and_takes_no_other_along(
    install: Install,
) -> None:
    site = install(lease_s=3.0)
    poison = site.ask(kind="test.crashes").jobs[0]
    jobs = site.ask(count=20, seconds=0.3).jobs
    restarts = 0
    runner = site.start("runner")
    end_s = time.monotonic() + 400.0
    while site.states() != {"dead": 1, "done": len(jobs)}:
        assert time.monotonic() < end_s, f"{site.states()} after {restarts} restarts"
        if runner.poll() is not None:
            restarts += 1
            runner = site.start("runner")
        time.sleep(0.1)
    assert restarts == 3, "it was tried as often as it may be"
    all_once(site, jobs)
    dead = site.rows("SELECT public_id, error FROM core_job WHERE state = 'dead'")
    assert dead == [(poison, "The worker was lost or hung on every attempt.")]
    most = site.rows("SELECT max(attempts) FROM core_job WHERE state = 'done'")[0][0]
    assert most <= 2, "an innocent job was lost again: it was not kept apart from the culprit"


def test_a_handler_that_hangs_ends_the_runner_so_that_it_is_started_again(
    install: Install,
) -> None:
    site = install(lease_s=1.0)
    site.ask(kind="test.hangs")
    runner = site.start("runner", "--grace", "0.5")
    assert runner.wait(120) == 75
    runner = site.start("runner", "--grace", "0.5")
    assert runner.wait(120) == 75
    site.start("runner")
    wait_until(lambda: site.states() == {"dead": 1}, "the job is dead")
