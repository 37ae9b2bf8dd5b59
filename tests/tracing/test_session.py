"""A trace as a value: what it takes, what it keeps, what it refuses, and how it ends."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from faults.rehearsal.cases import make_case
from faults.tracing.observations import (
    Alone,
    Clamp,
    ClampSet,
    FitCoil,
    Message,
    Observation,
    PathOff,
    Power,
    Reference,
    RunStation,
    Strike,
    TagReading,
)
from faults.tracing.rig import as_left, replay
from faults.tracing.session import Refused, Session, begin
from faults.tracing.step import Step
from sites.network.faults import Place
from tests.tracing.drives import (
    Drive,
    asks,
    problem_of,
    proves,
    short_at,
    tree_path,
    tree_rehearsal,
)

D5 = Place("device", "D5")
SHORT = short_at("device", "D5")
RING = tree_path(((0, 1), (1, 2), (2, 3), (3, 1), (3, 4)))  # S4 closes a loop, N3 to N1


def following() -> Drive:
    """A trace about to clamp its first wire."""
    drive = Drive(tree_rehearsal(SHORT))
    drive.until(asks("clamp"))
    return drive


class TestValue:
    def test_observing_leaves_the_old_session_as_it_was(self) -> None:
        drive = following()
        before, step = drive.session, drive.session.step
        chances = before.posterior.chance.copy()
        after = before.observe(Clamp(node="N1", wire="S5", current_ma=250.0))
        assert after is not before
        assert before.step == step
        assert len(before.told) + 1 == len(after.told)
        assert (before.posterior.chance == chances).all()
        assert not (after.posterior.chance == chances).all()

    def test_two_ways_on_from_one_session_do_not_meet(self) -> None:
        session = following().session
        high = session.observe(Clamp(node="N1", wire="S5", current_ma=250.0))
        low = session.observe(Clamp(node="N1", wire="S5", current_ma=0.0))
        assert high.case.chance_of(D5) > low.case.chance_of(D5)
        again = session.observe(Clamp(node="N1", wire="S5", current_ma=250.0))
        assert again.step == high.step

    def test_the_same_observations_give_the_same_steps(self) -> None:
        drive = Drive(tree_rehearsal(SHORT))
        drive.to_the_end()
        session = begin(problem_of(drive.rehearsal))
        for step, observation in zip(drive.steps, drive.told, strict=True):
            assert session.step == step
            session = session.observe(observation)
        assert session.done == drive.session.done

    def test_a_method_that_does_not_exist_is_refused(self) -> None:
        with pytest.raises(ValueError, match="planner, outward, halving, per-minute"):
            begin(problem_of(tree_rehearsal(SHORT)), "guess")

    def test_a_trace_that_is_done_has_no_step(self) -> None:
        drive = Drive(tree_rehearsal(SHORT))
        drive.to_the_end()
        with pytest.raises(ValueError, match="done"):
            _ = drive.session.step


ILLEGAL: list[tuple[Observation, str]] = [
    (Message(shown=True), "/do"),
    (FitCoil(fitted=False), "/do"),
    (Alone(at=D5, current_ma=3.0), "/do"),
    (Clamp(node="N9", wire="S5", current_ma=3.0), "/node"),
    (Clamp(node="N5", wire="S2", current_ma=3.0), "/wire"),
    (Reference(current_ma=3.0, legs_on=("S2",)), "/legs_on/0"),
    (Strike(step=99), "/step"),
    (Strike(step=0), "/step"),
]


class TestRefused:
    @pytest.mark.parametrize(("observation", "pointer"), ILLEGAL)
    def test_it_says_where_and_leaves_the_state(
        self, observation: Observation, pointer: str
    ) -> None:
        session = following().session
        before = (session.state, session.told, session.step)
        with pytest.raises(Refused) as refused:
            session.observe(observation)
        assert refused.value.pointer == pointer
        assert refused.value.problem
        assert (session.state, session.told, session.step) == before


class TestStrike:
    def test_a_struck_reading_was_never_told(self) -> None:
        drive = following()
        plain = drive.session
        number = plain.step.number
        wrong = plain.observe(Clamp(node="N1", wire="S5", current_ma=0.0, at_min=40.0))
        struck = wrong.observe(Strike(step=number, why="wrong wire"))
        assert struck.posterior.chance == pytest.approx(plain.posterior.chance, abs=1e-12)
        assert struck.state.evidence == plain.state.evidence
        assert struck.state.log == plain.state.log
        assert struck.step.number == number + 2

    def test_readings_after_it_still_count(self) -> None:
        drive = following()
        number = drive.session.step.number
        right = Clamp(node="N5", wire="S5", current_ma=252.0, at_min=50.0)
        plain = drive.session.observe(right)
        drive.tell(Clamp(node="N1", wire="S5", current_ma=0.0, at_min=40.0))
        drive.tell(right)
        drive.tell(Strike(step=number))
        assert drive.session.state.evidence == plain.state.evidence
        # What was reckoned on the way lays the grids a little differently.
        assert drive.session.posterior.chance == pytest.approx(plain.posterior.chance, abs=1e-3)

    def test_nothing_is_struck_twice(self) -> None:
        session = following().session.observe(Clamp(node="N1", wire="S5", current_ma=0.0))
        number = session.step.number - 1
        struck = session.observe(Strike(step=number))
        with pytest.raises(Refused):
            struck.observe(Strike(step=number))

    def test_a_trace_goes_on_to_its_end_after_it(self) -> None:
        drive = following()
        number = drive.session.step.number
        drive.tell(Clamp(node="N1", wire="S5", current_ma=0.0))
        drive.tell(Strike(step=number))
        verdict = drive.to_the_end()
        assert [(f.at, f.proved) for f in verdict.found] == [(D5, True)]

    def test_after_a_struck_act_the_rig_is_as_replayed(self) -> None:
        """An act that is struck was not done: the coil is not in."""
        drive = Drive(tree_rehearsal(SHORT))
        drive.until(asks("fit_coil"))
        number = drive.session.step.number
        drive.once()
        drive.tell(Strike(step=number, why="it was left out"))
        expected = as_left(replay(drive.rehearsal.survey, drive.told))
        assert not expected.coil
        assert drive.session.step.as_left == expected
        assert drive.session.step.do == "fit_coil"


class TestNotAsked:
    def test_another_wire_than_asked_is_taken(self) -> None:
        session = following().session
        asked = session.step
        assert (asked.node, asked.wire) != ("N5", "D5")
        after = session.observe(Clamp(node="N5", wire="D5", current_ma=251.6))
        assert after.case.chance_of(D5) > 0.5
        assert after.step.number == asked.number + 1

    def test_an_observation_before_it_was_asked_for_is_taken(self) -> None:
        session = begin(problem_of(tree_rehearsal(SHORT)))
        for observation in (Power(on=False), FitCoil(fitted=True), Power(on=True)):
            session = session.observe(observation)
        session = session.observe(Reference(current_ma=254.2))
        assert session.step.as_left.coil
        assert session.done is None

    @pytest.mark.parametrize("legs", [("S1",), ("S7",), ("S1", "S7")])
    def test_a_look_with_some_legs_on_is_taken(self, legs: tuple[str, ...]) -> None:
        session = begin(problem_of(tree_rehearsal(SHORT)))
        session = session.observe(Message(shown=True))
        before = session.case.chance_of(D5)
        after = session.observe(Message(shown="S1" in legs, legs_on=legs))
        assert after.case.chance_of(D5) >= 0.99 * before
        assert after.done is None

    def test_a_look_with_some_legs_on_is_taken_with_loops_opened(self) -> None:
        drive = Drive(tree_rehearsal(short_at("device", "D4"), survey=RING))
        drive.until(asks("fit_coil"))
        drive.tell(Power(on=True))
        drive.tell(Message(shown=True, legs_on=("S1",)))
        assert drive.session.done is None

    @pytest.mark.parametrize(
        "kept",
        [
            ClampSet(node="N5", readings=(TagReading(tag="1", current_ma=3.0),), cables_seen=3),
            PathOff(node="N5", wire="S5", current_ma=0.0),
        ],
    )
    def test_what_is_not_reckoned_with_yet_is_kept_and_says_so(self, kept: Observation) -> None:
        self.checked(following().session, kept)

    def test_a_station_that_ran_is_kept_with_a_note(self) -> None:
        self.checked(begin(problem_of(tree_rehearsal(SHORT))), RunStation(station=7, shown=True))

    def test_a_device_alone_is_kept_with_a_note(self) -> None:
        session = following().session.observe(Power(on=False))
        self.checked(session, Alone(at=D5, current_ma=250.0))

    def checked(self, session: Session, kept: Observation) -> None:
        after = session.observe(kept)
        assert any(kept.do.replace("_", " ") in note for note in after.step.notes)
        assert after.told[-1].observation == kept
        assert (after.posterior.chance == session.posterior.chance).all()


@pytest.mark.parametrize("index", [2, 18])
def test_every_step_holds_what_it_must(index: int) -> None:
    drive = Drive(make_case("rehearsals", index).rehearsal)
    while drive.session.done is None:
        step = drive.session.step
        assert sum(suspect.chance for suspect in step.suspects) <= 1.0 + 1e-9
        assert step.why
        assert step.cautions or step.do == "clamp"
        assert 0.0 <= step.remaining_p50_min <= step.remaining_p90_min
        assert step.as_left == as_left(replay(drive.rehearsal.survey, drive.told))
        drive.once()
    verdict = drive.session.done
    assert verdict.as_left == as_left(replay(drive.rehearsal.survey, drive.told))
    assert drive.session.state.proving is not None


CAUTIONED: list[tuple[Callable[[Step], bool], tuple[str, ...]]] = [
    (lambda s: s.do == "power" and s.on is False, ("proved dead", "licensed", "local codes")),
    (lambda s: s.do == "power" and s.on is True, ("hands out",)),
    (lambda s: s.do == "fit_coil", ("proved dead", "local codes")),
    (lambda s: s.do == "message", ("few seconds",)),
    (lambda s: s.do == "clamp" and s.node == "N1", ("live", "water")),
    (lambda s: s.do == "isolate", ("live through the coil", "water", "cap each conductor")),
    (lambda s: s.do == "restore", ("volts across each pair", "water")),
]


def test_cautions_stand_at_their_steps() -> None:
    drive = Drive(tree_rehearsal(SHORT))
    drive.to_the_end()
    for is_one, words in CAUTIONED:
        steps = [step for step in drive.steps if is_one(step)]
        assert steps
        for step in steps:
            said = " ".join(step.cautions).lower()
            assert all(word in said for word in words), (step.do, step.cautions)
    first = " ".join(drive.steps[0].cautions).lower()
    assert "thunder" in first


def test_digging_has_its_caution() -> None:
    path = tree_path()
    buried = tuple(n if n.id == "N0" else replace(n, access="buried") for n in path.nodes)
    drive = Drive(tree_rehearsal(SHORT, survey=replace(path, nodes=buried)))
    step = drive.until(lambda s: s.do == "clamp" and s.node != "N0")
    said = " ".join(step.cautions).lower()
    assert "utilities marked" in said
    assert "local codes" in said


def held(drive: Drive) -> list[bool]:
    """For each step with intervals, whether one of them held the reading."""
    inside = []
    for step, seen in zip(drive.steps, drive.told, strict=True):
        spans = [e for e in step.expect if e.low_ma is not None and e.high_ma is not None]
        if spans and isinstance(seen, (Clamp, Reference)):
            ma = seen.current_ma
            inside.append(any((e.low_ma or 0) <= ma <= (e.high_ma or 0) for e in spans))
    return inside


@pytest.mark.slow
def test_what_was_expected_holds_what_was_read() -> None:
    """95 % intervals of classes that hold 99 % of the chance: at least 85 of 100 steps."""
    inside: list[bool] = []
    for index in range(20):
        drive = Drive(make_case("rehearsals", index).rehearsal, most_steps=400)
        drive.to_the_end()
        inside += held(drive)
    assert len(inside) > 200
    assert sum(inside) / len(inside) >= 0.85


def test_a_step_of_the_proof_names_what_it_expects() -> None:
    drive = Drive(tree_rehearsal(SHORT))
    step = drive.until(proves)
    assert step.expect
    assert step.expect[0].at == D5
