"""Leaving a part off while the trace is half-way."""

from __future__ import annotations

from core.accounts.actor import Actor
from faults.restore.problem import ON_THE_PATH
from faults.selectors.partial_restores import partial_restore_propose
from faults.trace_snapshot import snapshot_now
from tests.faults.hunts import Hunt, played_bodies


def test_without_a_proof_all_suspects_that_matter_are_left_off(by: Actor) -> None:
    hunt = Hunt(by)
    bodies = played_bodies(hunt.rehearsal)[1]
    for number in range(len(bodies)):
        hunt.send_all(bodies[number : number + 1])
        hunt.again()
        case = snapshot_now(hunt.trace).fold.session.case
        if hunt.trace.standing.get("suspects") and case.ranked(1)[0][1] < 0.6:
            break
    on_path = [(place, chance) for place, chance in case.ranked(200) if place.kind in ON_THE_PATH]
    dead = set(partial_restore_propose(hunt.call).proposed.left_off)
    assert sum(chance for place, chance in on_path if place in dead) >= 0.95
    assert len(on_path) > 3
