"""Changes get their places in the feed without gaps, and the chain of them proves itself."""

from __future__ import annotations

import pytest
from django.db import connection, transaction

from core.accounts.actor import Actor, system_actor
from core.changes.feed import chain_first_break, feed_read
from core.changes.record import change_record, request_named
from core.changes.sequencer import sequence_changes
from core.models import Change, Contractor, FeedEntry, FeedEpoch, UnsequencedChange
from core.problems import Gone, Invalid
from core.tenancy.scope import contractor_scope
from core.tenancy.walls import lower_walls


def record(by: Actor, name: str) -> Change:
    return change_record(by=by, action="test.done", thing=("test", name), after={"name": name})


def test_committed_changes_are_read_in_order_from_a_cursor(by: Actor) -> None:
    for name in "abc":
        record(by, name)
    assert feed_read().entries == ()
    assert sequence_changes() == 3
    first = feed_read(limit=2)
    assert [entry.change.object_id for entry in first.entries] == ["a", "b"]
    rest = feed_read(after=first.cursor)
    assert [entry.change.object_id for entry in rest.entries] == ["c"]
    assert feed_read(after=rest.cursor).cursor == rest.cursor
    assert not UnsequencedChange.objects.exists()
    assert sequence_changes() == 0


def test_a_change_rolled_back_leaves_no_gap(by: Actor) -> None:
    record(by, "kept")
    with transaction.atomic():
        record(by, "lost")
        transaction.set_rollback(True)
    record(by, "kept too")
    sequence_changes()
    assert [entry.position for entry in feed_read().entries] == [1, 2]


def test_each_contractor_has_a_feed_of_its_own(
    contractor: Contractor, other_contractor: Contractor
) -> None:
    for owner, name in ((contractor, "mine"), (other_contractor, "theirs")):
        with contractor_scope(owner.pk):
            record(system_actor(owner.pk, "tests"), name)
    assert sequence_changes() == 2
    for owner, name in ((contractor, "mine"), (other_contractor, "theirs")):
        with contractor_scope(owner.pk):
            assert [(e.position, e.change.object_id) for e in feed_read().entries] == [(1, name)]


@pytest.mark.parametrize("cursor", ["x", "1", "1.", ".1", "1.2.3", "-1.2", "1.2 "])
def test_what_is_no_cursor_is_told(by: Actor, cursor: str) -> None:
    with pytest.raises(Invalid) as told:
        feed_read(after=cursor)
    assert told.value.defects[0].pointer == "/after"


def test_a_cursor_of_an_earlier_life_is_gone(by: Actor) -> None:
    record(by, "a")
    sequence_changes()
    cursor = feed_read().cursor
    FeedEpoch.objects.create(number=2, started_at=by_now(), reason="restored")
    with pytest.raises(Gone):
        feed_read(after=cursor)


def by_now() -> object:
    return FeedEpoch.objects.get(number=1).started_at


def test_the_chain_shows_a_change_that_was_altered(by: Actor) -> None:
    for name in "abc":
        record(by, name)
    sequence_changes()
    assert chain_first_break() is None
    if connection.vendor == "sqlite":
        lower_walls(connection)
    else:
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            cursor.execute("ALTER TABLE core_change DISABLE TRIGGER USER")
    second = FeedEntry.objects.get(position=2).change
    with connection.cursor() as cursor:
        cursor.execute("UPDATE core_change SET actor_id = 'other' WHERE id = %s", [second.pk])
    assert chain_first_break() == 2


def test_a_change_carries_the_request_it_was_made_in(by: Actor) -> None:
    with request_named("req_1"):
        inside = record(by, "a")
    assert (inside.request_id, record(by, "b").request_id) == ("req_1", "")
