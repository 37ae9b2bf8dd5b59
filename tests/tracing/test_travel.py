"""Minutes of steps, worked out by hand from the rules of the survey form.

Walking 72 m takes one minute (1.2 m/s); N0 to N3 is 36 m, half a minute; N1 to N2 is 144 m, two
minutes; a box costs 3, a buried splice 45, an act at the controller 4, a further reading 0.5.
"""

from __future__ import annotations

import pytest

from faults.tracing.observations import (
    Alone,
    Cannot,
    Clamp,
    ClampSet,
    CloseJoints,
    FitCoil,
    Isolate,
    Message,
    Observation,
    OpenJoints,
    PathOff,
    Power,
    Reference,
    Restore,
    RunStation,
    Strike,
    TagReading,
)
from faults.tracing.problem import Costs, TraceProblem
from faults.tracing.step import Step
from faults.tracing.travel import Position, start_position, step_minutes, timeline_minutes
from sites.network.faults import Place
from tests.tracing.small_path import SMALL_PATH, SMALL_PROBLEM

START = Position("N0", opened=True)
AT_N1 = Position("N1", opened=True)
AT_N2 = Position("N2", opened=True)
AT_N3 = Position("N3", opened=True)
D1 = Place("device", "D1")


def clamp(node: str, wire: str) -> Clamp:
    return Clamp(node=node, wire=wire, current_ma=1.0)


def tagged(count: int) -> tuple[TagReading, ...]:
    return tuple(TagReading(tag=str(tag), current_ma=1.0) for tag in range(count))


N1_TO_N3 = (72.0**2 + 36.0**2) ** 0.5 / 72.0
N2_TO_N3 = (72.0**2 + 108.0**2) ** 0.5 / 72.0

BY_HAND: list[tuple[str, Position, Observation, float, Position]] = [
    ("power at the cabinet", START, Power(on=False), 0.5, START),
    ("power, walking back", AT_N1, Power(on=False), 1.0 + 0.5, START),
    ("station, walking back", AT_N3, RunStation(station=7, shown=True), 0.5 + 0.5, START),
    ("message, all legs", START, Message(shown=True), 4.0, START),
    ("message, moving legs", START, Message(shown=True, legs_on=("S1",)), 4.0, START),
    ("coil, walking back", AT_N1, FitCoil(fitted=True), 1.0 + 4.0, START),
    ("reference", START, Reference(current_ma=1.0), 4.0, START),
    ("device alone", AT_N1, Alone(at=D1, current_ma=1.0), 1.0 + 4.0, START),
    ("further reading at the cabinet", START, clamp("N0", "S1"), 0.5, START),
    ("first reading at the cabinet, arriving", AT_N1, clamp("N0", "S1"), 1.0, START),
    ("box", START, clamp("N1", "S1"), 1.0 + 3.0, AT_N1),
    ("box again, without leaving", AT_N1, clamp("N1", "S2"), 0.5, AT_N1),
    ("back to a box counts as arriving", AT_N3, clamp("N1", "S1"), N1_TO_N3 + 3.0, AT_N1),
    ("standing there, lid not opened", Position("N1"), clamp("N1", "S1"), 3.0, AT_N1),
    ("buried", AT_N1, clamp("N2", "S2"), 2.0 + 45.0, AT_N2),
    ("path off", AT_N1, PathOff(node="N1", wire="S1", current_ma=0.0), 0.5, AT_N1),
    ("three tags, arriving", START, ClampSet(node="N1", readings=tagged(3)), 5.0, AT_N1),
    ("three tags, there", AT_N1, ClampSet(node="N1", readings=tagged(3)), 1.5, AT_N1),
    ("device off, there", AT_N1, Isolate(at=D1), 6.0, AT_N1),
    ("device on, arriving", START, Restore(at=D1), 1.0 + 3.0 + 6.0, AT_N1),
    ("splice", START, Isolate(at=Place("splice", "N1")), 1.0 + 3.0 + 25.0, AT_N1),
    ("unmapped", AT_N1, Isolate(at=Place("unmapped", "N1")), 25.0, AT_N1),
    ("segment, from where one stands", AT_N1, Isolate(at=Place("segment", "S2")), 60.0, AT_N1),
    (
        "segment, from its nearer end",
        START,
        Restore(at=Place("segment", "S4")),
        0.5 + 3.0 + 60.0,
        AT_N3,
    ),
    ("joint", START, OpenJoints(done=(("S4", "to"),)), 0.5 + 3.0 + 6.0, AT_N3),
    (
        "two joints, in their order",
        START,
        CloseJoints(done=(("S4", "to"), ("S4", "from"))),
        0.5 + 3.0 + 6.0 + N2_TO_N3 + 45.0 + 6.0,
        AT_N2,
    ),
    ("two joints in one box", AT_N1, OpenJoints(done=(("S1", "to"), ("S2", "from"))), 12.0, AT_N1),
    ("no joint", START, OpenJoints(done=()), 0.0, START),
    ("cannot", START, Cannot(node="N1"), 1.0 + 3.0, AT_N1),
    ("strike", AT_N1, Strike(step=1), 0.0, AT_N1),
]


@pytest.mark.parametrize(
    ("position", "observation", "minutes", "ends"),
    [case[1:] for case in BY_HAND],
    ids=[case[0] for case in BY_HAND],
)
def test_minutes_by_hand(
    position: Position, observation: Observation, minutes: float, ends: Position
) -> None:
    counted, there = step_minutes(SMALL_PROBLEM, position, observation)
    assert counted == pytest.approx(minutes, abs=1e-9)
    assert there == ends


def step(do: str, **where: object) -> Step:
    rest = {"step_minutes": 0.0, "remaining_p50_min": 0.0, "remaining_p90_min": 0.0, "why": "test"}
    return Step(number=1, stage="following", do=do, **where, **rest)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("asked", "answered"),
    [
        (step("power", on=False), Power(on=False)),
        (step("message", legs_on=()), Message(shown=True, legs_on=())),
        (step("fit_coil", fitted=True), FitCoil(fitted=True)),
        (step("reference"), Reference(current_ma=1.0)),
        (step("clamp", node="N2", wire="S2"), clamp("N2", "S2")),
        (step("clamp_set", node="N1"), ClampSet(node="N1", readings=tagged(3))),
        (
            step("path_off", node="N1", wire="S1"),
            PathOff(node="N1", wire="S1", current_ma=0.0),
        ),
        (step("isolate", at=D1), Isolate(at=D1)),
        (step("restore", at=Place("segment", "S4")), Restore(at=Place("segment", "S4"))),
        (step("alone", at=D1), Alone(at=D1, current_ma=1.0)),
        (step("open_joints", joints=(("S4", "to"),)), OpenJoints(done=(("S4", "to"),))),
        (step("close_joints", joints=(("S4", "to"),)), CloseJoints(done=(("S4", "to"),))),
        (step("run_station", station=7), RunStation(station=7, shown=True)),
    ],
    ids=lambda each: each.do,
)
@pytest.mark.parametrize("position", [START, AT_N1, AT_N2, AT_N3])
def test_a_step_costs_what_its_answer_costs(
    asked: Step, answered: Observation, position: Position
) -> None:
    assert step_minutes(SMALL_PROBLEM, position, asked) == step_minutes(
        SMALL_PROBLEM, position, answered
    )


def test_own_costs_are_used() -> None:
    costs = Costs(
        walk_m_per_s=0.6,
        box_min=10.0,
        buried_min=100.0,
        controller_min=7.0,
        same_place_min=2.0,
        isolate_device_min=11.0,
        isolate_splice_min=13.0,
        isolate_segment_min=17.0,
    )
    problem = TraceProblem(path=SMALL_PATH, costs=costs)
    assert step_minutes(problem, START, clamp("N1", "S1"))[0] == pytest.approx(2.0 + 10.0)
    assert step_minutes(problem, AT_N1, clamp("N2", "S2"))[0] == pytest.approx(4.0 + 100.0)
    assert step_minutes(problem, AT_N1, clamp("N1", "S2"))[0] == pytest.approx(2.0)
    assert step_minutes(problem, START, Message(shown=True))[0] == pytest.approx(7.0)
    assert step_minutes(problem, AT_N1, Isolate(at=D1))[0] == pytest.approx(11.0)
    assert step_minutes(problem, AT_N1, Isolate(at=Place("splice", "N1")))[0] == pytest.approx(13.0)
    assert step_minutes(problem, AT_N1, Isolate(at=Place("segment", "S2")))[0] == pytest.approx(17)


def test_what_is_not_on_the_path_is_an_error() -> None:
    for lost in (clamp("N9", "S1"), Isolate(at=Place("device", "D9")), Isolate(at=Place("none"))):
        with pytest.raises(KeyError):
            step_minutes(SMALL_PROBLEM, START, lost)


def test_a_whole_trace_by_hand() -> None:
    """Off 0.5, coil 4, on 0.5, reference 4, N1 1 + 3, its lead 0.5, off 6, wire again 0.5."""
    done: list[Observation] = [
        Power(on=False),
        FitCoil(fitted=True),
        Power(on=True),
        Reference(current_ma=147.0),
        clamp("N1", "S1"),
        clamp("N1", "D1"),
        Isolate(at=D1),
        clamp("N1", "S1"),
    ]
    times = timeline_minutes(SMALL_PROBLEM, done)
    assert times == pytest.approx((0.5, 4.5, 5.0, 9.0, 13.0, 13.5, 19.5, 20.0))


def test_a_given_time_is_kept_and_counted_on_from() -> None:
    done: list[Observation] = [
        Power(on=False),
        FitCoil(fitted=True, at_min=32.5),
        Power(on=True),
    ]
    assert timeline_minutes(SMALL_PROBLEM, done) == pytest.approx((0.5, 32.5, 33.0))


def test_a_trace_starts_at_the_controller() -> None:
    assert start_position(SMALL_PATH) == START
