"""What a lost message or a clock set back leaves is mended; each slot is taken once."""

from __future__ import annotations

import datetime as dt
import threading
import time as real_time

import pytest
import time_machine
from pytest_django import Settings

from core.accounts.actor import Actor
from core.jobs import publisher, sweep
from core.jobs.ask import job_enqueue
from core.jobs.beat import Beat, Schedule, every, take_slot
from core.jobs.claim import claim_job, claim_next
from core.jobs.publisher import Publisher
from core.jobs.settle import fail
from core.models import BeatSlot, Job
from tests.jobs.test_claims import LEASE_S, START, enqueue

HOUR_S = 3600


class Counted:
    """Something to do by schedule, that counts."""

    def __init__(self, every_s: float = 60.0, *, in_transaction: bool = True) -> None:
        self.times = 0
        self.fails = False
        self.schedule = Schedule("counted", every_s, self, in_transaction)

    def __call__(self) -> None:
        self.times += 1
        if self.fails:
            raise OSError("no")

    def beat(self) -> Beat:
        return Beat({"counted": self.schedule})


@pytest.mark.django_db
def test_two_beats_take_each_slot_once() -> None:
    counted = Counted()
    beats = [counted.beat(), counted.beat()]
    with time_machine.travel(START, tick=False) as time:
        for _ in range(600):
            for beat in beats:
                beat.tick()
            time.shift(1)
    assert counted.times == 10


@pytest.mark.django_db
def test_a_beat_that_looked_before_another_took_the_slot_does_not_take_it_too(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    counted = Counted()
    with time_machine.travel(START, tick=False):
        seen, _ = BeatSlot.objects.get_or_create(name="counted")
        assert take_slot(counted.schedule)
        monkeypatch.setattr(BeatSlot.objects, "get_or_create", lambda **_: (seen, False))
        assert not take_slot(counted.schedule)
        assert BeatSlot.objects.get().last_run_at == START


@pytest.mark.django_db
def test_a_clock_set_back_neither_stalls_nor_bursts() -> None:
    counted = Counted()
    beat = counted.beat()
    with time_machine.travel(START, tick=False) as time:
        beat.tick()
        time.shift(-HOUR_S)
        for _ in range(301):
            beat.tick()
            time.shift(1)
    assert counted.times == 1 + 5


@pytest.mark.django_db
def test_a_clock_set_forward_runs_what_is_due_once() -> None:
    counted = Counted()
    beat = counted.beat()
    with time_machine.travel(START, tick=False) as time:
        beat.tick()
        time.shift(HOUR_S)
        for _ in range(30):
            beat.tick()
            time.shift(1)
    assert counted.times == 2


@pytest.mark.django_db
def test_a_slot_whose_act_fails_is_not_used_up() -> None:
    counted = Counted(HOUR_S)
    counted.fails = True
    with time_machine.travel(START, tick=False):
        assert counted.beat().tick() == []
        counted.fails = False
        assert counted.beat().tick() == ["counted"]
        assert counted.beat().tick() == []


@pytest.mark.django_db
def test_a_failing_schedule_does_not_hold_up_the_others_nor_run_each_tick() -> None:
    failing, sound = Counted(), Counted()
    failing.fails = True
    sound.schedule = Schedule("sound", 60.0, sound, in_transaction=True)
    beat = Beat({"counted": failing.schedule, "sound": sound.schedule})
    for _ in range(5):
        beat.tick()
    assert (failing.times, sound.times) == (1, 1)


def test_names_of_schedules_are_taken_once() -> None:
    with pytest.raises(ValueError, match="two schedules"):
        every(5, "test beat")(lambda: None)
    with pytest.raises(ValueError, match="0 < x"):
        every(0, "never")


def test_a_lease_and_a_back_off_from_before_the_clock_was_set_back_are_cut(by: Actor) -> None:
    with time_machine.travel(START, tick=False) as time:
        lost, failed = enqueue(by), enqueue(by)
        assert claim_job(lost.pk)
        claim = claim_job(failed.pk)
        assert claim is not None
        assert fail(claim, "once")
        later = enqueue(by, run_after=START + dt.timedelta(hours=2))
        time.shift(-HOUR_S)
        assert claim_next() is None
        assert sweep.sweep().hurried == 2
        assert claim_job(failed.pk)
        time.shift(LEASE_S + 1)
        assert claim_job(lost.pk)
        assert claim_job(later.pk) is None, "a time that was asked for stands"


@pytest.fixture
def offered(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Ids offered to the broker by the sweep."""
    ids: list[int] = []

    def take(job_pk: int) -> bool:
        ids.append(job_pk)
        return True

    settings.REDIS_URL = "redis://127.0.0.1:1/0"
    monkeypatch.setattr(sweep, "offer_job", take)
    return ids


def test_the_sweep_publishes_what_waits_too_long_and_not_at_each_turn(
    by: Actor, offered: list[int]
) -> None:
    with time_machine.travel(START, tick=False) as time:
        job = enqueue(by)
        sweep.sweep()
        assert offered == [], "the request has only just published it"
        time.shift(6)
        sweep.sweep()
        sweep.sweep()
        assert offered == [job.pk]
        time.shift(31)
        sweep.sweep()
        assert offered == [job.pk] * 2


def test_the_sweep_publishes_what_is_due_and_what_was_lost(by: Actor, offered: list[int]) -> None:
    with time_machine.travel(START, tick=False) as time:
        later = enqueue(by, run_after=START + dt.timedelta(seconds=10))
        running = enqueue(by)
        assert claim_job(running.pk)
        time.shift(9)
        sweep.sweep()
        assert offered == []
        time.shift(1)
        sweep.sweep()
        assert offered == [later.pk]
        time.shift(LEASE_S)
        sweep.sweep()
        assert sorted(offered[1:]) == [later.pk, running.pk]


def test_without_a_broker_the_sweep_publishes_nothing(by: Actor) -> None:
    enqueue(by, run_after=START)
    assert sweep.sweep().published == 0


@pytest.mark.django_db(transaction=True)
def test_a_job_is_published_after_its_transaction(
    by: Actor, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent: list[int] = []
    there = threading.Event()

    def send(job_pk: int) -> None:
        sent.append(job_pk)
        there.set()

    settings.REDIS_URL = "redis://127.0.0.1:1/0"
    only = Publisher(send)
    monkeypatch.setattr(publisher, "_publisher", lambda: only)
    job = job_enqueue(by=by, kind="test.append", payload={})
    assert there.wait(60.0)
    assert sent == [job.pk]
    assert Job.objects.filter(pk=job.pk).exists()


def test_a_broker_that_hangs_holds_up_nobody_and_is_bounded() -> None:
    hang = threading.Event()
    busy = Publisher(lambda _: hang.wait(30.0) and None, most_waiting=10)
    started_s = real_time.perf_counter()
    taken = sum(busy.offer(n) for n in range(1000))
    took_s = real_time.perf_counter() - started_s
    hang.set()
    assert taken in (10, 11)
    assert took_s < 15.0, "somebody waited for the broker"


def test_a_broker_that_refuses_does_not_end_the_publisher(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(publisher, "_PAUSE_S", 0.0)
    sent: list[int] = []
    there = threading.Event()

    def send(job_pk: int) -> None:
        if job_pk == 0:
            raise ConnectionError("refused")
        sent.append(job_pk)
        there.set()

    refusing = Publisher(send)
    refusing.offer(0)
    refusing.offer(1)
    assert there.wait(60.0)
    assert sent == [1]
