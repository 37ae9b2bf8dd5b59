"""Writers with long transactions, two sequencers, three consumers that start anew: none misses.

A feed read by a high-water number would skip a slow writer's change, whose number is lower than
those that committed before it.
"""

from __future__ import annotations

import itertools
import random
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

import pytest
from django.db import connection, transaction

from core.accounts.actor import system_actor
from core.changes.feed import chain_first_break, feed_read
from core.changes.record import change_record
from core.changes.sequencer import sequence_changes
from core.locking import lock_name
from core.models import Change, Contractor
from core.tenancy.scope import contractor_scope

pytestmark = [
    pytest.mark.slow,
    pytest.mark.django_db(transaction=True),
    pytest.mark.skipif(
        connection.vendor != "postgresql", reason="SQLite has one writer at a time, none slow"
    ),
]

WRITERS, CHANGES_EACH, CALLS = 8, 60, 5
LONGEST_S = 1.0


@dataclass
class Consumer:
    """Keeps what it has read and where it was; a restart loses all but the cursor kept."""

    kept_cursor: str = ""
    read: list[tuple[int, str, int]] = field(default_factory=list)

    def read_some(self, chance: random.Random) -> int:
        page = feed_read(after=self.kept_cursor, limit=chance.randint(1, 9))
        if chance.random() < 0.2:
            return 0  # died before it kept anything: it reads the page again
        for entry in page.entries:
            after = entry.change.after
            assert after is not None
            self.read.append((entry.position, entry.change.thread_id, after["n"]))
        self.kept_cursor = page.cursor
        return len(page.entries)


@contextmanager
def threads(works: list[Callable[[], None]]) -> Iterator[list[threading.Thread]]:
    """Run these beside each other, each on its own connection; a failure of one is raised."""
    failures: list[BaseException] = []

    def run(work: Callable[[], None]) -> None:
        try:
            work()
        except BaseException as failure:  # noqa: BLE001 - told by the test below
            failures.append(failure)
        finally:
            connection.close()

    running = [threading.Thread(target=run, args=(work,)) for work in works]
    for thread in running:
        thread.start()
    yield running
    for thread in running:
        thread.join()
    assert not failures, failures


def writer(contractor_id: int, seed: int, numbers: dict[int, Iterator[int]]) -> None:
    chance = random.Random(seed)
    by = system_actor(contractor_id, f"writer {seed}")
    with contractor_scope(contractor_id):
        for _ in range(CHANGES_EACH):
            call = chance.randrange(CALLS)
            with transaction.atomic():
                lock_name(f"call {call}")
                number = next(numbers[call])
                change_record(
                    by=by, action="call.moved", thing=("call", f"call_{call}"), after={"n": number}
                )
                # A few hold their transaction long, after their change got its number.
                time.sleep(chance.random() * (LONGEST_S if chance.random() < 0.03 else 0.01))
                if chance.random() < 0.1:
                    transaction.set_rollback(True)


def test_consumers_miss_nothing_and_see_each_call_in_order(contractor: Contractor) -> None:
    numbers = {call: itertools.count() for call in range(CALLS)}
    consumers = [Consumer() for _ in range(3)]
    ended = threading.Event()

    def sequence() -> None:
        while not ended.is_set():
            sequence_changes()
            time.sleep(0.005)

    def consume(consumer: Consumer, seed: int) -> None:
        chance = random.Random(seed)
        with contractor_scope(contractor.pk):
            while not ended.is_set():
                consumer.read_some(chance)
                time.sleep(chance.random() * 0.02)

    readers = [lambda c=c, i=i: consume(c, i) for i, c in enumerate(consumers)]
    writers = [lambda i=i: writer(contractor.pk, i, numbers) for i in range(WRITERS)]
    with threads([sequence, sequence, *readers]):
        with threads(writers):
            pass
        ended.set()
    sequence_changes()
    with contractor_scope(contractor.pk):
        for consumer in consumers:
            while consumer.read_some(random.Random(1)):
                pass
        committed = Change.objects.filter(action="call.moved").count()
        assert committed > WRITERS * CHANGES_EACH * 0.8
        assert chain_first_break() is None
        # The numbers of changes show that some committed out of order: the case that matters.
        ids = list(
            Change.objects.filter(entry__isnull=False)
            .order_by("entry__position")
            .values_list("pk", flat=True)
        )
    assert ids != sorted(ids)
    for consumer in consumers:
        assert [position for position, _, _ in consumer.read] == list(range(1, committed + 1))
        for call in range(CALLS):
            of_call = [n for _, thread, n in consumer.read if thread == f"call_{call}"]
            assert of_call == sorted(of_call)
