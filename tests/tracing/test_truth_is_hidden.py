"""The engine cannot see the truth of a rehearsal: altering it alters no first step."""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from faults.forms.rehearsal import rehearsal_document
from faults.forms.trace import read_trace
from faults.rehearsal.cases import make_case
from faults.rehearsal.layouts import drawing
from faults.rehearsal.play import blind_problem
from faults.rehearsal.rehearsal import Rehearsal
from faults.tracing.observations import Clamp, FitCoil, Message, Power, Reference
from faults.tracing.problem import TraceProblem
from faults.tracing.session import begin
from faults.tracing.step import Step, Verdict
from sites.network.faults import Fault, Place
from tests.tracing.drives import short_at, tree_path, tree_rehearsal

Document = dict[str, Any]
Altering = Callable[[Rehearsal], Rehearsal]

BASE = tree_rehearsal(
    short_at("device", "D5"),
    coil_known=False,
    actual=drawing(tree_path(), [9.0, 4.0, 3.0, 12.0, 20.0, 6.0, 8.0]),
)


def more_trip_spread(rehearsal: Rehearsal) -> Rehearsal:
    return replace(
        rehearsal,
        survey=replace(rehearsal.survey, trip_spread=0.05),
        actual=replace(rehearsal.ground, trip_spread=0.05),
    )


ALTERED: dict[str, Altering] = {
    "another place": lambda r: replace(r, faults=(short_at("splice", "N7", 14.0),)),
    "no fault": lambda r: replace(r, faults=(Fault("short", Place("none")),)),
    "two faults": lambda r: replace(r, faults=(*r.faults, short_at("segment", "S2"))),
    "comes and goes": lambda r: replace(r, faults=(replace(r.faults[0], show_chance=0.3),)),
    "an open": lambda r: replace(r, faults=(Fault("open", Place("segment", "S2"), conductor="a"),)),
    "the ground as mapped": lambda r: replace(r, actual=None),
    "a ground of other draws": lambda r: replace(r, actual=drawing(r.survey, [1.0] * 7)),
    "another seed": lambda r: replace(r, seed=r.seed + 1),
    "a fuzzy trip": more_trip_spread,
    "another coil": lambda r: replace(r, coil_ohm=70.0 + 160.0j),
}


def steps_of(problem: TraceProblem) -> list[Step | Verdict]:
    """The first step, and those (or the verdict) that the same told to all leads to."""
    session = begin(problem)
    steps: list[Step | Verdict] = [session.step]
    for observation in (
        Message(shown=True),
        Message(shown=False, legs_on=()),
        Power(on=False),
        FitCoil(fitted=True),
        Power(on=True),
        Reference(current_ma=254.0),
        Clamp(node="N1", wire="S5", current_ma=252.0),
    ):
        session = session.observe(observation)
        steps.append(session.done or session.step)
    return steps


EXPECTED = steps_of(blind_problem(BASE))


@pytest.mark.parametrize("what", ALTERED)
def test_altered_truth_changes_no_step_that_the_same_observations_lead_to(what: str) -> None:
    altered = ALTERED[what](BASE)
    assert altered != BASE
    assert blind_problem(altered) == blind_problem(BASE)
    assert steps_of(blind_problem(altered)) == EXPECTED


@pytest.mark.parametrize("what", ALTERED)
def test_neither_does_it_in_a_file(what: str) -> None:
    document = rehearsal_document(ALTERED[what](BASE))
    assert document != rehearsal_document(BASE)
    assert begin(read_trace(document)).step == EXPECTED[0]


def test_what_may_be_known_does_change_what_is_believed() -> None:
    """Without this the tests above could not fail."""
    known = replace(BASE, coil_known=True)
    assert blind_problem(known).coil_ohm == BASE.coil_ohm
    assert steps_of(blind_problem(known)) != EXPECTED
    other = replace(known, coil_ohm=70.0 + 160.0j)
    assert steps_of(blind_problem(other)) != steps_of(blind_problem(known))
    mapped = replace(BASE, survey=replace(BASE.survey, trip_ma=1400.0))
    assert steps_of(blind_problem(mapped)) != EXPECTED


def test_any_other_truth_in_a_file_is_stripped() -> None:
    document = rehearsal_document(BASE)
    plain = read_trace(document)
    assert plain.coil_ohm is None
    assert plain.path.trip_spread == 0.0
    bent = copy.deepcopy(document)
    bent["meter"]["seed"] = 999
    bent["faults"][0]["resistance_ohm"] = 0.7
    assert read_trace(bent) == plain


@pytest.mark.parametrize("index", [1, 4, 5])
def test_cases_of_the_benchmark_hide_theirs_too(index: int) -> None:
    rehearsal = make_case("rehearsals", index).rehearsal
    elsewhere = replace(
        rehearsal,
        faults=(short_at("splice", rehearsal.survey.nodes[-1].id),),
        actual=None,
        seed=1,
        coil_ohm=rehearsal.coil_ohm if rehearsal.coil_known else 33.0 + 66.0j,
    )
    assert begin(blind_problem(elsewhere)).step == begin(blind_problem(rehearsal)).step
