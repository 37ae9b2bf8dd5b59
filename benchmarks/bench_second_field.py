"""Rows of the benchmark on the second field: nominal cases and the adversarial suites.

Each row is one whole trace, made from its index alone, so that any runner can take any share of
the indices and go on where it stopped. A trace that never ends is a row of its own outcome,
`never-done`.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.second_field.cases import Case, case_of
from tests.second_field.field import SecondField
from tests.second_field.play import NeverDone, play_against_session

FIRST_SEED = 500_000
WRONG_WIRE_CHANCE = 0.3
NEAR_TRIP = (0.98, 1.08)
SHOWS_BETWEEN = (0.4, 0.9)

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Suite:
    """How a suite makes its case from a seed, and the field that answers for it."""

    first_seed: int
    case: Callable[[int], Case]
    field: Callable[[Case], SecondField]


def _plain_field(case: Case) -> SecondField:
    return SecondField(case.document, case.seed)


def _coming_and_going(case: Case) -> SecondField:
    chance = float(np.random.default_rng([case.seed, 20]).uniform(*SHOWS_BETWEEN))
    return SecondField(case.document, case.seed, show_chance=chance)


SUITES = {
    "near-trip": Suite(610_000, lambda seed: case_of(seed, trip_ratio=NEAR_TRIP), _plain_field),
    "comes-and-goes": Suite(620_000, case_of, _coming_and_going),
    "unmapped-at-splice": Suite(630_000, lambda seed: case_of(seed, unmapped=True), _plain_field),
    "wrong-wire-while-proving": Suite(
        640_000,
        case_of,
        lambda case: SecondField(
            case.document, case.seed, wrong_wire_while_proving=WRONG_WIRE_CHANCE
        ),
    ),
    "cut-instead-of-isolated": Suite(
        650_000,
        case_of,
        lambda case: SecondField(case.document, case.seed, cuts_instead_of_isolating=True),
    ),
}


def run_case(index: int) -> Row:
    """One nominal case on the second field: the row for this index."""
    case = case_of(FIRST_SEED + index)
    return _row("nominal", case, _plain_field(case))


def run_adversarial_case(suite: str, index: int) -> Row:
    """One case of an adversarial suite (a key of `SUITES`): the row for this index."""
    chosen = SUITES[suite]
    case = chosen.case(chosen.first_seed + index)
    return _row(suite, case, chosen.field(case))


def _row(suite: str, case: Case, field: SecondField) -> Row:
    start = time.perf_counter()
    try:
        ending = _ending(case, field)
    except NeverDone as endless:
        ending = {
            "outcome": "never-done",
            "reason": str(endless),
            "located": False,
            "proved": False,
            "wrongly_proved": False,
            "minutes": round(field.minutes, 2),
            "search_minutes": None,
        }
    return {
        "suite": suite,
        "seed": case.seed,
        "shape": case.shape,
        "n": case.devices,
        "truth": case.truth,
        "resistance_ohm": case.document["faults"][0]["resistance_ohm"],
        "coil_known": case.document["coil_known"],
        "trip_ratio": round(case.faulted_ma / case.document["survey"]["path"]["trip_ma"], 3),
        "redrawn": case.redrawn,
        **ending,
        "refused_by_field": list(field.refused),
        "seconds": round(time.perf_counter() - start, 3),
    }


def _ending(case: Case, field: SecondField) -> Row:
    played = play_against_session(case.document, field)
    return {
        "outcome": played.verdict["outcome"],
        "reason": played.verdict.get("reason", ""),
        "found": played.verdict.get("found", []),
        "located": played.located,
        "proved": played.proved,
        "wrongly_proved": played.wrongly_proved,
        "observations": played.observations,
        "minutes": round(played.minutes, 2),
        "search_minutes": played.search_minutes,
        "refused_by_session": list(played.refused_by_session),
    }
