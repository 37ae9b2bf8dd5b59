"""Each observation counts once, however often and by however many it is sent."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from django.db import connection, connections, transaction

from core.accounts.actor import Actor
from core.models import Change, Contractor
from core.problems import Conflict, Invalid, Problem, TooLarge
from core.tenancy.scope import contractor_scope
from faults.models import Observation
from faults.observation_body import digest
from faults.selectors.traces import trace_next
from faults.services import observations
from faults.trace_snapshot import CACHE, observation_rows, snapshot_now
from faults.tracing.session import Session
from tests.faults.hunts import Hunt, played_bodies, rehearsal_of

_, BODIES = played_bodies(rehearsal_of())


def test_the_same_again_gets_the_same_answer_and_stores_nothing(by: Actor) -> None:
    hunt = Hunt(by)
    first = hunt.send(BODIES[0])
    hunt.send(BODIES[1])
    changes = Change.objects.count()
    again = hunt.send({name: BODIES[0][name] for name in reversed(BODIES[0])}, seq=1)
    assert again.replayed
    assert not first.replayed
    assert again.document == first.document
    assert again.observation == first.observation
    assert (hunt.trace.observations.count(), Change.objects.count()) == (2, changes)


def test_another_body_under_the_same_client_id_is_a_conflict(by: Actor) -> None:
    hunt = Hunt(by)
    hunt.send(BODIES[0])
    with pytest.raises(Conflict) as conflict:
        hunt.send({"do": "message", "shown": False}, seq=1)
    assert conflict.value.extra["observation"] == BODIES[0]
    with pytest.raises(Conflict):
        hunt.void("o1", client_id="o1")
    assert hunt.trace.observations.count() == 1


def test_the_same_client_id_is_free_in_another_trace(by: Actor) -> None:
    one, other = Hunt(by), Hunt(by)
    one.send(BODIES[0])
    assert not other.send(BODIES[0]).replayed


def test_a_digest_is_that_of_what_is_said() -> None:
    assert digest({"a": 147.0, "b": [1, {"c": None}]}) == digest(
        {"b": [1.0, {"c": None}], "a": 147}
    )
    assert digest({"a": 147.0}) != digest({"a": 147.5})
    assert digest({"a": 1}) != digest({"a": True})
    assert digest({"a": "1"}) != digest({"a": 1})


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"client_id": "two words"}, "/client_id"),
        ({"client_id": "x" * 81}, "/client_id"),
        ({"seq": 0}, "/client_seq"),
        ({"body": {"do": "fly"}}, "/do"),
        ({"body": {"do": "reference", "current_ma": float("nan")}}, "/current_ma"),
        ({"body": '{"do": "message", "shown": true, "shown": false}'}, "/shown"),
        ({"body": {"do": "cannot", "node": "N1", "why": "a\0b"}}, "/why"),
        ({"body": "[]"}, ""),
        ({"body": object()}, ""),
    ],
)
def test_what_does_not_fit_is_told_with_its_place_and_not_stored(
    by: Actor, change: dict[str, Any], pointer: str
) -> None:
    hunt = Hunt(by)
    told = {"body": BODIES[0]} | change
    with pytest.raises(Invalid) as invalid:
        hunt.send(told.pop("body"), **told)
    assert invalid.value.defects[0].pointer == pointer
    assert not Observation.objects.exists()


def test_an_endless_body_is_refused(by: Actor) -> None:
    with pytest.raises(TooLarge):
        Hunt(by).send({"do": "message", "shown": True, "why": "x" * 200_000})


@pytest.mark.django_db(transaction=True)
def test_the_engine_never_runs_in_a_transaction(by: Actor, monkeypatch: pytest.MonkeyPatch) -> None:
    inside = []
    observe = Session.observe

    def watched(self: Session, observation: Any) -> Session:
        inside.append(connection.in_atomic_block)
        return observe(self, observation)

    monkeypatch.setattr(Session, "observe", watched)
    hunt = Hunt(by)
    hunt.send_all(BODIES)
    hunt.void(f"o{len(BODIES)}")
    assert len(inside) >= len(BODIES)
    assert not any(inside)
    with pytest.raises(RuntimeError, match="durable"), transaction.atomic():
        hunt.send({"do": "power", "on": True})


def test_what_came_between_is_reckoned_in_and_nothing_is_lost(
    by: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As if another process had stored one between reckoning and storing."""
    hunt = Hunt(by)
    store, other = observations._stored, iter([BODIES[0]])

    def stored(reckoned: Any, arrival: Any) -> Any:
        body = next(other, None)
        if body is not None:
            monkeypatch.setattr(observations, "trace_lock", lambda _: threading.Lock())
            hunt.send(body, seq=1, client_id="other")
        return store(reckoned, arrival)

    monkeypatch.setattr(observations, "_stored", stored)
    result = hunt.send(BODIES[1], seq=2)
    assert result.document["step"] == 3
    assert result.warnings == ()
    assert [row.client_id for row in observation_rows(hunt.trace)] == ["other", "o2"]


@pytest.mark.django_db(transaction=True)
def test_many_who_send_the_same_at_once_make_one(contractor: Contractor, by: Actor) -> None:
    if connection.vendor == "sqlite" and connection.is_in_memory_db():  # type: ignore[attr-defined]
        pytest.skip("threads share no SQLite database in memory")
    hunt = Hunt(by)
    hunt.send_all(BODIES[:3])

    def send(number: int) -> tuple[bool, int]:
        try:
            with contractor_scope(contractor.pk):
                # Half of them all the same, the others each their own.
                name = "shared" if number % 2 else f"own{number}"
                result = hunt.send(BODIES[3], seq=4, client_id=name)
                return result.replayed, number
        except Problem:
            return False, -1
        finally:
            connections.close_all()

    with ThreadPoolExecutor(8) as pool:
        results = list(pool.map(send, range(16)))
    names = [row.client_id for row in observation_rows(hunt.trace)]
    assert names.count("shared") == 1
    assert sum(replayed for replayed, _ in results) == 7
    hunt.again()
    assert hunt.trace.observation_count == len(names) == hunt.trace.version - 1
    told = trace_next(hunt.trace)
    CACHE.clear()
    assert trace_next(hunt.trace) == told


def test_a_kept_fold_is_found_by_its_rows_and_a_cold_one_says_the_same(by: Actor) -> None:
    hunt = Hunt(by)
    hunt.send_all(BODIES[:6])
    kept = snapshot_now(hunt.trace)
    assert snapshot_now(hunt.trace) is kept
    CACHE.clear()
    cold = snapshot_now(hunt.trace)
    assert cold is not kept
    assert cold.document == kept.document
    assert cold.fold.session.state == kept.fold.session.state
