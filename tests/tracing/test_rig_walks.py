"""Random walks over the rig, its state kept a second time by hand."""

from __future__ import annotations

from collections import Counter
from random import Random

from hypothesis import given
from hypothesis import strategies as st

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
from faults.tracing.rig import (
    Rig,
    as_left,
    replay,
    rig_after,
    rig_at_start,
    rig_refusal,
)
from sites.network.faults import Place
from tests.tracing.small_path import SMALL_PATH

D1, D3 = Place("device", "D1"), Place("device", "D3")
LOOP_JOINT = ("S4", "to")
OTHER_JOINT = ("S4", "from")

WIRES = {
    "N0": ("S1", "S3"),
    "N1": ("S1", "S2", "D1", None),
    "N2": ("S2", "S4", "D2"),
    "N3": ("S3", "S4", "D3"),
}
ENDS = [(node, wire) for node, wires in WIRES.items() for wire in wires]
NOT_THERE = [("N9", "S1"), ("N1", "S3"), ("N2", "D1")]
JOINTS = [("S2", "to"), ("S4", "from"), ("S4", "to")]
PLACES = [D1, D3, Place("splice", "N1"), Place("segment", "S2"), Place("unmapped", "N3")]
LEGS = [None, None, None, (), ("S1",), ("S3",), ("S1", "S3")]


def anything(chance: Random) -> Observation:
    """An observation of any kind: mostly of what is there, sometimes of what is not."""
    node, wire = chance.choice(ENDS if chance.random() < 0.9 else NOT_THERE)
    legs_on = chance.choice(LEGS) if chance.random() < 0.95 else ("S2",)
    at = chance.choice(PLACES) if chance.random() < 0.95 else Place("none")
    joints = tuple(chance.choices(JOINTS, k=chance.choice((1, 1, 1, 2))))
    yes = chance.random() < 0.5
    kinds: list[Observation] = [
        Power(on=yes),
        Power(on=not yes),
        FitCoil(fitted=yes),
        OpenJoints(done=joints),
        CloseJoints(done=joints),
        Message(shown=yes, legs_on=legs_on),
        Reference(current_ma=1.0, legs_on=legs_on),
        Clamp(node=node, wire=wire, current_ma=1.0, legs_on=legs_on),
        ClampSet(node=node, readings=(TagReading(tag=chance.choice("12"), current_ma=1.0),)),
        PathOff(node=node, wire=wire or "S1", current_ma=0.0),
        Isolate(at=at),
        Restore(at=at),
        Alone(at=at, current_ma=1.0),
        RunStation(station=chance.choice((7, 8)), shown=yes),
        Cannot(node=node),
    ]
    return chance.choice(kinds)


ALL_LEGS = ("S1", "S3")


class ByHand:
    """The state of a walk kept a second time, as plainly as can be."""

    def __init__(self) -> None:
        self.power = True
        self.coil = False
        self.isolated: list[Place] = []
        self.joints: list[tuple[str, str]] = []
        self.legs_on: tuple[str, ...] = ALL_LEGS

    def hold(self, observation: Observation) -> None:
        """What the survey form asks of a legal observation."""
        if observation.do in ("clamp", "clamp_set", "reference", "path_off"):
            assert (self.power, self.coil) == (True, True)
        if observation.do in ("message", "run_station"):
            assert (self.power, self.coil) == (True, False)
        if observation.do in ("open_joints", "close_joints", "fit_coil", "alone"):
            assert not self.power
        if observation.do in ("isolate", "restore"):
            assert self.coil or not self.power
        if isinstance(observation, Clamp):
            named = ALL_LEGS if observation.legs_on is None else observation.legs_on
            assert set(named) == set(self.legs_on)

    def take(self, observation: Observation) -> None:
        match observation:
            case Power():
                self.power = observation.on
            case FitCoil():
                self.coil = observation.fitted
            case Isolate():
                assert observation.at not in self.isolated
                self.isolated.append(observation.at)
            case Restore():
                self.isolated.remove(observation.at)  # raises where it is not isolated
            case OpenJoints():
                self.joints.extend(observation.done)
            case CloseJoints():
                for joint in observation.done:
                    self.joints.remove(joint)
            case Message() | Reference():
                self.legs_on = ALL_LEGS if observation.legs_on is None else observation.legs_on


def walked(tried: list[Observation]) -> tuple[list[Observation], Rig, ByHand]:
    """A walk that takes what is legal; the state kept by the rig and by hand."""
    rig, by_hand = rig_at_start(SMALL_PATH), ByHand()
    taken: list[Observation] = []
    for observation in tried:
        if rig_refusal(rig, observation, SMALL_PATH) is None:
            by_hand.hold(observation)
            by_hand.take(observation)
            rig = rig_after(rig, observation, SMALL_PATH)
            taken.append(observation)
    return taken, rig, by_hand


def assert_left_as_by_hand(taken: list[Observation], rig: Rig, by_hand: ByHand) -> None:
    left = as_left(rig)
    assert (left.power, left.coil) == (by_hand.power, by_hand.coil)
    assert set(left.isolated) == set(by_hand.isolated)
    assert left.joints_open == tuple(sorted(by_hand.joints))
    assert set(left.legs_off) == set(ALL_LEGS) - set(by_hand.legs_on)
    assert as_left(replay(SMALL_PATH, taken)) == left


def attempts(seed: int, count: int) -> list[Observation]:
    chance = Random(seed)
    return [anything(chance) for _ in range(count)]


@given(seed=st.integers(0, 2**32), count=st.integers(0, 80))
def test_random_walks_never_clamp_without_the_coil_nor_look_with_it(seed: int, count: int) -> None:
    assert_left_as_by_hand(*walked(attempts(seed, count)))


def test_long_walks_hold_and_take_every_kind_of_step() -> None:
    """The same over 100 walks of 300 attempts, and none of it idle: each kind was often legal."""
    taken_of_kind: Counter[str] = Counter()
    for seed in range(100):
        taken, rig, by_hand = walked(attempts(seed, 300))
        assert_left_as_by_hand(taken, rig, by_hand)
        taken_of_kind.update(observation.do for observation in taken)
    for kind in Observation.__args__:  # type: ignore[attr-defined]
        if kind is not Strike:
            assert taken_of_kind[kind.do] >= 50, taken_of_kind
