"""Several people at one call at the same moment: none finds a way round the return test."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import pytest
from django.db import connection, connections

from core.accounts.actor import Actor
from core.clock import now
from core.models import Contractor
from core.problems import Problem
from core.tenancy.scope import contractor_scope
from faults.models import FaultCall
from faults.selectors.calls import call_get
from faults.services.call_moves import Move, call_move
from faults.services.events import EventReport, event_report
from faults.services.repairs import repair_record
from faults.services.return_tests import return_test_record
from faults.services.waiting import calls_wake
from tests.faults.places import path_at_new_place
from tests.repairs import ways
from tests.repairs.field import REMADE, moved, opened, readings_of, repaired, return_test

ROUNDS = 12
AT_ONCE = 6


@pytest.mark.slow
@pytest.mark.django_db(transaction=True)
def test_people_at_once_find_no_way(contractor: Contractor, by: Actor) -> None:
    if connection.vendor == "sqlite" and connection.is_in_memory_db():  # type: ignore[attr-defined]
        pytest.skip("threads share no SQLite database in memory")
    rng, came = random.Random(20261126), Counter[str]()
    for _ in range(ROUNDS):
        call = opened(by, path_at_new_place(by))
        repaired(call, by)
        if rng.random() < 0.7:
            assert return_test(call, by).passed
        acts = [close, close, rng.choice(ACTS), rng.choice(ACTS), rng.choice(ACTS), wake]
        rng.shuffle(acts)
        with ThreadPoolExecutor(AT_ONCE) as pool:
            seen = call_get(call.public_id)
            done = list(pool.map(lambda act, one=seen: tried(act, one, contractor, by), acts))
        came.update(done)
        ways.closed_calls_have_a_test_or_a_reason()
        ways.every_move_was_legal_and_follows_the_one_before()
        ways.one_call_is_open_a_path()
        came[call_get(call.public_id).state] += 1
    # Both sides have won at times, or nothing was shown.
    assert came["closed"] > 0, came
    assert came["refused"] > 0, came
    assert came["closed"] < ROUNDS, came


Act = Callable[[FaultCall, Actor], object]


def tried(act: Act, seen: FaultCall, contractor: Contractor, by: Actor) -> str:
    """Done or refused; whatever else is raised is a defect and comes out."""
    try:
        with contractor_scope(contractor.pk):
            act(seen, by)
            return "done"
    except Problem:
        return "refused"
    finally:
        connections.close_all()


def close(seen: FaultCall, by: Actor) -> None:
    """With the version that they saw."""
    move = Move("closed", "holds", "repaired")
    call_move(call=seen, move=move, version=seen.version, by=by)


def back_to_work(seen: FaultCall, by: Actor) -> None:
    moved(seen, "repairing", by)


def message(seen: FaultCall, by: Actor) -> None:
    assert seen.path is not None
    event_report(report=EventReport("overcurrent", now(), path=seen.path.public_id), by=by)


def failing_test(seen: FaultCall, by: Actor) -> None:
    assert seen.path is not None
    readings = readings_of(seen.path, quiet_min=1.0)
    return_test_record(call=seen, readings=readings, by=by)


def second_repair(seen: FaultCall, by: Actor) -> None:
    moved(seen, "repairing", by)
    repair_record(call=seen, details=REMADE, by=by)


def wake(_seen: FaultCall, by: Actor) -> None:
    calls_wake(by=by)


ACTS: list[Act] = [back_to_work, message, failing_test, second_repair]
