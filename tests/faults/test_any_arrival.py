"""The state of a trace does not depend on the order in which its observations arrived."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from core.accounts.actor import Actor
from core.problems import IllegalMove
from faults.observation_body import body_read
from faults.rehearsal.play import blind_problem
from faults.selectors.traces import trace_next
from faults.trace_fold import Entry, fold_all
from faults.trace_snapshot import CACHE, snapshot_now
from faults.tracing.session import begin
from tests.faults.hunts import Document, Hunt, played_bodies, rehearsal_of

REHEARSAL = rehearsal_of()
PLAYED, BODIES = played_bodies(REHEARSAL)
CLAMP = next(n for n, body in enumerate(BODIES, start=1) if body["do"] == "clamp")


def rows() -> list[tuple[str, Any]]:
    """Bodies, and withdrawals as the name of what they withdraw, in client order."""
    told: list[tuple[str, Any]] = [("body", body) for body in BODIES[:CLAMP]]
    told += [("void", f"o{CLAMP}"), ("body", BODIES[CLAMP - 1])]
    told += [("body", body) for body in BODIES[CLAMP : CLAMP + 4]]
    told += [("body", {"do": "strike", "step": CLAMP + 2, "why": "wrong wire"})]
    return told


ROWS = rows()


@pytest.fixture
def canonical(by: Actor) -> tuple[Document, Actor]:
    """What comes next after all rows in order."""
    hunt = Hunt(by, REHEARSAL)
    for number, row in enumerate(ROWS, start=1):
        send(hunt, number, row)
    return trace_next(hunt.trace), by


def send(hunt: Hunt, number: int, row: tuple[str, Any]) -> Any:
    kind, told = row
    return hunt.send(told, seq=number) if kind == "body" else hunt.void(told, seq=number)


@pytest.mark.slow
@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(order=st.permutations(range(len(ROWS))), cold=st.booleans())
def test_any_order_of_arrival_gives_the_same_step_and_suspects(
    canonical: tuple[Document, Actor], order: list[int], cold: bool
) -> None:
    expected, by = canonical
    hunt = Hunt(by, REHEARSAL)
    for place in order:
        send(hunt, place + 1, ROWS[place])
        if cold:
            CACHE.clear()
    told = trace_next(hunt.trace)
    assert told == expected
    assert told["suspects"] == expected["suspects"] != []
    CACHE.clear()
    assert trace_next(hunt.trace) == expected


def test_the_fold_reckons_as_a_session_of_the_engine_does() -> None:
    session = begin(blind_problem(REHEARSAL))
    entries = []
    for number, body in enumerate(BODIES, start=1):
        _, observation = body_read(body)
        session = session.observe(observation)
        entries.append(Entry(f"o{number}", observation))
    fold = fold_all(blind_problem(REHEARSAL), entries)
    assert fold.session.done == session.done == PLAYED.verdict
    assert fold.session.told == session.told
    assert fold.apart == fold.after_end == ()


def test_one_that_came_too_early_is_kept_and_counts_once_the_others_are_there(by: Actor) -> None:
    hunt = Hunt(by, REHEARSAL)
    early = hunt.send(BODIES[CLAMP - 1], seq=CLAMP)
    assert "does not count as things stand" in early.warnings[0]
    assert early.document["step"] == 1
    for number, body in enumerate(BODIES[: CLAMP - 1], start=1):
        last = hunt.send(body, seq=number)
    assert last.document["step"] == CLAMP + 1
    assert snapshot_now(hunt.trace).fold.apart == ()


def test_one_that_comes_between_and_takes_the_ground_from_others_says_so(by: Actor) -> None:
    hunt = Hunt(by, REHEARSAL)
    hunt.send_all(BODIES[:CLAMP])
    between = hunt.send({"do": "power", "on": False}, seq=CLAMP - 1, client_id="other-phone")
    assert f"'o{CLAMP}' does not count any more" in between.warnings[0]
    fold = snapshot_now(hunt.trace).fold
    assert [one.name for one in fold.apart] == [f"o{CLAMP}"]
    assert not fold.rig.power


def test_an_act_that_others_rest_on_is_not_withdrawn(by: Actor) -> None:
    hunt = Hunt(by, REHEARSAL)
    hunt.send_all(BODIES[:CLAMP])
    coil = next(n for n, body in enumerate(BODIES, start=1) if body["do"] == "fit_coil")
    with pytest.raises(IllegalMove, match="rests on it"):
        hunt.void(f"o{coil}")
    with pytest.raises(IllegalMove, match="no observation 'nothing'"):
        hunt.void("nothing")
    assert hunt.trace.observations.count() == CLAMP
