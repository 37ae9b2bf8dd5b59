"""The history of failures in a trace: it moves the search, and has no say in what is proved."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from faults.forms.step import step_document
from faults.rehearsal.cases import make_case
from faults.rehearsal.field import Field
from faults.rehearsal.play import blind_problem, judged
from faults.rehearsal.rehearsal import Rehearsal
from faults.rehearsal.wrong_history import accusing
from faults.tracing.explain import history_clause
from faults.tracing.problem import History, PlaceHistory, TraceProblem
from faults.tracing.session import Session, begin
from faults.tracing.step import Verdict
from sites.network.faults import Place
from tests.tracing.drives import problem_of, short_at, tree_rehearsal

N3, D5 = Place("splice", "N3"), Place("device", "D5")
SHORT_AT_D5 = tree_rehearsal(short_at("device", "D5"))


def weighing(**factors: float) -> History:
    """A history of splices and devices by their ids."""
    kinds = {"N": "splice", "D": "device", "S": "segment"}
    return History(
        "run",
        "2026-01-01",
        tuple(
            PlaceHistory(Place(kinds[name[0]], name), factor, 3, 2.0)  # type: ignore[arg-type]
            for name, factor in factors.items()
        ),
    )


def sessions(rehearsal: Rehearsal, problem: TraceProblem) -> list[Session]:
    """All moments of a trace, with the ground's answers to what it asks."""
    field, moments = Field(rehearsal), [begin(problem)]
    while moments[-1].done is None:
        moments.append(moments[-1].observe(field.answer(moments[-1].step)))
    return moments


def test_a_history_that_says_nothing_leaves_every_step_to_the_letter() -> None:
    problem = problem_of(SHORT_AT_D5)
    told = [
        [step_document(one.step) for one in moments[:-1]] + [repr(moments[-1].done)]
        for moments in (
            sessions(SHORT_AT_D5, problem),
            sessions(SHORT_AT_D5, replace(problem, history=History("run", "2026-01-01"))),
            sessions(SHORT_AT_D5, replace(problem, history=weighing(N3=1.0, D5=1.0))),
        )
    ]
    assert len(told[0]) > 8
    assert told[1] == told[0]
    # Of two places something is known, and it says no more than their peers: only words differ.
    clauses = [one.pop("history", "") for step in told[2][:-1] for one in step["suspects"]]  # type: ignore[call-overload]
    assert any(clauses)
    assert told[2] == told[0]


def test_a_place_that_failed_before_is_likelier_at_first() -> None:
    problem = problem_of(SHORT_AT_D5)
    plain = begin(problem).case
    weighed = begin(replace(problem, history=weighing(D5=4.0))).case
    ratio = weighed.chance_of(D5) / plain.chance_of(D5)
    others = weighed.chance_of(N3) / plain.chance_of(N3)
    assert ratio / others == pytest.approx(4.0)
    assert weighed.posterior.chance.sum() == pytest.approx(plain.posterior.chance.sum(), abs=0.01)


def test_what_a_proof_goes_by_is_what_it_would_be_without_history() -> None:
    """Folded with and without, the same observations leave the same chances to a proof, but for
    where the draw scales are laid: the likeliest places say where."""
    history = weighing(N3=8.0, D5=0.25, S2=3.0)
    with_it = sessions(SHORT_AT_D5, replace(problem_of(SHORT_AT_D5), history=history))
    without = [begin(problem_of(SHORT_AT_D5))]
    for told in with_it[-1].told:
        without.append(without[-1].observe(told.observation))
    moved = 0.0
    for one, other in zip(with_it, without, strict=True):
        places = one.posterior.hypotheses.places
        for place in (*places, Place("none"), Place("controller"), Place("other")):
            bare, plain = one.case.bare_chance_of(place), other.case.chance_of(place)
            assert bare == pytest.approx(plain, abs=0.02), place
            if plain > 0.99:
                assert 1.0 - bare == pytest.approx(1.0 - plain, rel=0.3, abs=1e-5), place
            moved = max(moved, abs(one.case.chance_of(place) - plain))
        assert one.case.apart.none == pytest.approx(other.case.apart.none, abs=0.02)
    assert moved > 0.2
    first = with_it[0].case
    bare = [first.bare_chance_of(place) for place in first.posterior.hypotheses.places]
    np.testing.assert_allclose(bare, without[0].posterior.chance, rtol=1e-12)


def test_a_chance_that_history_alone_makes_proves_nothing() -> None:
    """A proof that stands is taken away where its chance is made out to be the history's work."""
    last = sessions(SHORT_AT_D5, problem_of(SHORT_AT_D5))[-1].case
    assert last.next_test(D5).act == "proved"
    own = last.posterior.hypotheses
    by_history = np.where(np.arange(len(own.places)) == own.index[D5], 1e9, 1.0)
    posterior = replace(last.posterior, hypotheses=replace(own, history=by_history))
    told = replace(last, posterior=posterior)
    assert told.chance_of(D5) == last.chance_of(D5) > 0.999
    assert told.bare_chance_of(D5) < 0.999
    assert told.next_test(D5).act != "proved"


@pytest.mark.parametrize("factor", [0.2, 8.5])
def test_no_history_weighs_past_its_bounds(factor: float) -> None:
    with pytest.raises(ValueError, match=r"0\.25 to 8"):
        PlaceHistory(N3, factor, 9, 1.0)


def test_the_reason_says_that_history_counted() -> None:
    rows = [
        (PlaceHistory(N3, 2.4, 3, 2.0), "failed 3 times in 2.0 years here; weighs 2.4 times"),
        (PlaceHistory(N3, 1.5, 1, 0.4), "failed once in 5 months here; weighs 1.5 times"),
        (PlaceHistory(N3, 4.0, 0, 3.0, 6), "lies in a stretch that failed 6 times in 3.0 years;"),
        (PlaceHistory(N3, 5.0, 2, 3.0, 6), "here, 6 times in the stretch around it; weighs 5.0"),
    ]
    for known, words in rows:
        assert words in history_clause(known)
        assert history_clause(known).endswith("times its peers")
    problem = replace(problem_of(SHORT_AT_D5), history=weighing(D5=4.0))
    listed = begin(problem).step.suspects
    assert {one.history for one in listed if one.at == D5} == {
        history_clause(weighing(D5=4.0).places[0])
    }
    assert {one.history for one in listed if one.at != D5} == {""}


def ending(rehearsal: Rehearsal, history: History) -> Verdict:
    """How a trace with this history ends."""
    done = sessions(rehearsal, replace(blind_problem(rehearsal), history=history))[-1].done
    assert done is not None
    return done


@pytest.mark.slow
def test_a_wrong_history_of_a_wrong_splice_never_proves_it() -> None:
    """Forty cases: the truth is doubted, a splice beside it accused, both as far as bounds go."""
    small = (case for case in map(make_small, itertools.count()) if case is not None)
    proved = 0
    for turn, rehearsal in enumerate(itertools.islice(small, 40)):
        history = accusing(rehearsal, turn)
        assert len(history.places) > 1
        told = judged(rehearsal, (), ending(rehearsal, history), (0.0,))
        assert not told.wrongly_proved, (turn, told.verdict)
        proved += told.proved
    assert proved >= 36


def make_small(index: int) -> Rehearsal | None:
    """A generated case where it has few devices, or None."""
    case = make_case("rehearsals", index)
    return case.rehearsal if case.devices <= 30 else None
