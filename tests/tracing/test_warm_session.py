"""What a session keeps between steps saves time and nothing else: a fresh one says the same."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from faults.rehearsal.cases import make_case
from faults.rehearsal.field import Field
from faults.rehearsal.play import blind_problem
from faults.tracing.observations import Clamp, Message, Observation
from faults.tracing.session import Session, begin
from faults.tracing.tree_view import TreeView

pytestmark = pytest.mark.slow

CASES = (0, 1, 2, 5)


def sideways(session: Session) -> list[Session]:
    """Sessions that went other ways from this one, with what it keeps: they fill its stores."""
    rig = session.state.rig
    if rig.power and not rig.coil:
        return [session.observe(Message(shown=False)).observe(Message(shown=True))]
    if not rig.power or rig.isolated or rig.legs_off:
        return []
    view: TreeView = session.reckoner.view
    wires = list(view.edge_of_wire)[:: max(1, len(view.edge_of_wire) // 3)]
    return [session.observe(Clamp(node=n, wire=w, current_ma=90.0)) for n, w in wires]


def played(index: int) -> tuple[Session, list[Session], list[Observation]]:
    """A case played to its end, with side ways at every step: how it began, every session of it
    and what was told."""
    case = make_case("rehearsals", index)
    field = Field(case.rehearsal)
    start = session = begin(blind_problem(case.rehearsal))
    sessions: list[Session] = []
    told: list[Observation] = []
    while session.done is None and len(told) < 40:
        for other in sideways(session):
            assert other.done is not None or other.step.number > session.step.number
        told.append(field.answer(session.step))
        session = session.observe(told[-1])
        sessions.append(session)
    return start, sessions, told


def same(one: Session, other: Session) -> None:
    """Equal to the last bit in chances, step and verdict."""
    np.testing.assert_array_equal(one.posterior.chance, other.posterior.chance)
    np.testing.assert_array_equal(one.posterior.row_chance, other.posterior.row_chance)
    assert one.posterior.apart == other.posterior.apart
    assert one.done == other.done
    if one.done is None:
        assert one.step == other.step


@pytest.mark.parametrize("index", CASES)
def test_a_session_that_kept_much_says_what_a_fresh_one_says(index: int) -> None:
    warm_start, warm, told = played(index)
    assert len(told) > 8
    fresh = begin(warm_start.problem)
    assert fresh.reckoner is not warm_start.reckoner
    again = warm_start
    for observation, before in zip(told, warm, strict=True):
        fresh = fresh.observe(observation)
        again = again.observe(observation)
        same(before, fresh)
        same(again, fresh)


def test_what_is_kept_cannot_be_written_over() -> None:
    start, sessions, _ = played(CASES[0])
    scales, looks = start.reckoner.sound_scales, start.reckoner.looks
    assert len(sessions[-1].state.evidence.readings) > 2
    for one, other in pairwise(sessions):
        assert one.reckoner is other.reckoner
    kept = [*scales._seen.values(), *looks._tables.values()]
    assert len(kept) > 4
    for array in kept:
        with pytest.raises(ValueError, match="read-only"):
            array[...] = 0.0
