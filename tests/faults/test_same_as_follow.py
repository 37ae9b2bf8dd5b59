"""The services and ``manage.py follow`` are two doors to one engine."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command

from core.accounts.actor import Actor
from core.problems import IllegalMove, Invalid
from faults.forms.rehearsal import rehearsal_document
from faults.selectors.traces import trace_next
from faults.trace_snapshot import CACHE
from tests.faults.hunts import Hunt, played_bodies, rehearsal_of
from tests.tracing.drives import short_at

pytestmark = pytest.mark.slow

Document = dict[str, Any]


def follow(
    document: Document, bodies: list[Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> list[Document]:
    """What ``follow`` prints for these lines."""
    file = tmp_path / "trace.json"
    file.write_text(json.dumps(document), encoding="utf-8")
    lines = "".join(json.dumps(body) + "\n" for body in bodies)
    monkeypatch.setattr("sys.stdin", io.StringIO(lines))
    out = io.StringIO()
    call_command("follow", str(file), stdout=out)
    return [json.loads(line) for line in out.getvalue().splitlines()]


@pytest.mark.parametrize("cold", [False, True], ids=["warm", "cold"])
@pytest.mark.parametrize(
    "fault",
    [short_at("device", "D5"), short_at("splice", "N3"), short_at("segment", "S4")],
    ids=["device", "splice", "segment"],
)
def test_the_same_observations_give_the_same_steps(
    by: Actor, fault: Any, cold: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rehearsal = rehearsal_of(fault)
    _, bodies = played_bodies(rehearsal)
    printed = follow(rehearsal_document(rehearsal), bodies, tmp_path, monkeypatch)
    hunt = Hunt(by, rehearsal)
    told = [trace_next(hunt.trace)]
    for body in bodies:
        if cold:
            CACHE.clear()
        told.append(hunt.send(body).document)
    assert len(told) == len(bodies) + 1 > 8
    assert told == printed
    hunt.again()
    assert trace_next(hunt.trace) == printed[-1]


def test_what_cannot_be_taken_is_told_alike_and_counts_in_neither(
    by: Actor, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rehearsal = rehearsal_of()
    _, bodies = played_bodies(rehearsal)
    unreadable: Document = {"do": "reference", "current_ma": "147"}
    illegal: Document = {"do": "reference", "current_ma": 147}
    unknown: Document = {"do": "message", "shown": True, "legs_on": ["S99"]}
    wrong = [unreadable, illegal, unknown]
    printed = follow(rehearsal_document(rehearsal), [*wrong, *bodies], tmp_path, monkeypatch)
    problems = [line for line in printed if "problem" in line]
    hunt = Hunt(by, rehearsal)
    raised = []
    for body in wrong:
        with pytest.raises((Invalid, IllegalMove)) as refused:
            hunt.send(body, seq=1)
        raised.append(refused.value)
    assert [type(one) for one in raised] == [Invalid, IllegalMove, Invalid]
    assert [one.defects[0].pointer for one in raised] == [one["pointer"] for one in problems]
    assert raised[1].detail == problems[1]["problem"]
    assert raised[1].extra["step"] == printed[0]
    assert raised[1].extra["legal"] == ["power", "message", "run_station", "cannot", "strike"]
    hunt.again()
    assert hunt.trace.observation_count == 0
    assert [one.document for one in hunt.send_all(bodies)][-1] == printed[-1]


def test_a_strike_by_step_and_a_withdrawal_by_name_go_as_follow_goes(
    by: Actor, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rehearsal = rehearsal_of()
    _, bodies = played_bodies(rehearsal)
    clamp = next(n for n, body in enumerate(bodies) if body["do"] == "clamp")
    told = [*bodies[: clamp + 1], {"do": "strike", "step": clamp + 1, "why": "wrong wire"}]
    lines = [*told, *bodies[clamp:]]
    printed = follow(rehearsal_document(rehearsal), lines, tmp_path, monkeypatch)
    striking, naming = Hunt(by, rehearsal), Hunt(by, rehearsal)
    struck = striking.send_all(lines)
    assert [one.document for one in struck] == printed[1:]
    named = naming.send_all(told[:-1])
    named.append(naming.void(f"o{clamp + 1}", why="wrong wire"))
    named += naming.send_all(bodies[clamp:])
    assert [one.document for one in named] == printed[1:]
    assert striking.trace.observations.get(client_seq=clamp + 2).voids == f"o{clamp + 1}"
