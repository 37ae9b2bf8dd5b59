"""The table of legal steps: every state × ``do``, what makes no sense, and the fold."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

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
from faults.tracing.rig import (
    Rig,
    rig_refusal,
)
from sites.network.faults import Place
from tests.tracing.small_path import SMALL_PATH

D1, D3 = Place("device", "D1"), Place("device", "D3")
LOOP_JOINT = ("S4", "to")
OTHER_JOINT = ("S4", "from")

# Rows as the survey form has them ("legal when"), written out by hand for the four states
# (power, coil): off/out, off/in, on/out, on/in.
LEGAL = {
    # do            off/out off/in on/out on/in
    "power":        (True,  True,  True,  True),
    "open_joints":  (True,  True,  False, False),
    "close_joints": (True,  True,  False, False),
    "message":      (False, False, True,  False),
    "fit_coil":     (True,  True,  False, False),
    "reference":    (False, False, False, True),
    "clamp":        (False, False, False, True),
    "clamp_set":    (False, False, False, True),
    "path_off":     (False, False, False, True),
    "isolate":      (True,  True,  False, True),
    "restore":      (True,  True,  False, True),
    "alone":        (False, True,  False, False),
    "run_station":  (False, False, True,  False),
    "cannot":       (True,  True,  True,  True),
    "strike":       (True,  True,  True,  True),
}  # fmt: skip
STATES = {(False, False): 0, (False, True): 1, (True, False): 2, (True, True): 3}

# What the refusal has to say, in its own words, so that the reader knows the reason.
REASONS = {
    ("message", False, False): "power is off",
    ("message", False, True): "cannot show",
    ("message", True, True): "cannot show",
    ("run_station", False, False): "power is off",
    ("run_station", False, True): "cannot show",
    ("run_station", True, True): "cannot show",
    ("alone", False, False): "coil is out",
    ("isolate", True, False): "without the coil",
    ("restore", True, False): "without the coil",
} | {
    (do, power, coil): "coil is out" if not coil else "power is off"
    for do in ("reference", "clamp", "clamp_set", "path_off")
    for power, coil in ((False, False), (False, True), (True, False))
} | {
    (do, True, coil): "power is on"
    for do in ("open_joints", "close_joints", "fit_coil", "alone")
    for coil in (False, True)
}  # fmt: skip


def observations_that_make_sense(rig: Rig) -> list[Observation]:
    """At least one of every kind, such that only power and coil decide whether it is legal."""
    legs_on = tuple(sorted({"S1", "S3"} - rig.legs_off)) if rig.legs_off else None
    return [
        Power(on=True),
        Power(on=False),
        OpenJoints(done=(OTHER_JOINT,)),
        CloseJoints(done=(LOOP_JOINT,) if LOOP_JOINT in rig.joints_open else ()),
        Message(shown=True),
        Message(shown=False, legs_on=()),
        Message(shown=True, legs_on=("S3",)),
        FitCoil(fitted=True),
        FitCoil(fitted=False),
        Reference(current_ma=147.0),
        Reference(current_ma=147.0, legs_on=("S1",)),
        Clamp(node="N1", wire="S1", current_ma=146.0, legs_on=legs_on),
        Clamp(node="N1", wire=None, seen_as="red pair", current_ma=3.0, legs_on=legs_on),
        ClampSet(node="N1", readings=(TagReading(tag="1", current_ma=1.0),)),
        PathOff(node="N2", wire="D2", current_ma=0.0),
        Isolate(at=D1),
        Isolate(at=Place("splice", "N1")),
        Isolate(at=Place("segment", "S2")),
        Isolate(at=Place("unmapped", "N2")),
        Restore(at=D3),
        Alone(at=D1, current_ma=250.0),
        RunStation(station=7, shown=False),
        Cannot(node="N2", why="flooded"),
        Strike(step=1),
    ]


ALL_RIGS = [
    Rig(
        power=power,
        coil=coil,
        legs_off=legs_off,
        joints_open=joints_open,
        isolated=frozenset({D3}) | more,
        lids_up=lids_up,
    )
    for power, coil, legs_off, joints_open, more, lids_up in product(
        (False, True),
        (False, True),
        (frozenset(), frozenset({"S3"}), frozenset({"S1", "S3"})),
        (frozenset(), frozenset({LOOP_JOINT})),
        (frozenset(), frozenset({Place("segment", "S3")})),
        (frozenset(), frozenset({"N1"})),
    )
]


def test_the_table_covers_every_kind_of_observation() -> None:
    kinds = {kind.do for kind in Observation.__args__}  # type: ignore[attr-defined]
    assert set(LEGAL) == kinds
    assert {each.do for each in observations_that_make_sense(ALL_RIGS[0])} == kinds


@pytest.mark.parametrize("do", sorted(LEGAL))
def test_every_state_and_do_is_legal_or_refused_with_its_reason(do: str) -> None:
    seen = 0
    for rig in ALL_RIGS:
        for observation in observations_that_make_sense(rig):
            if observation.do != do:
                continue
            seen += 1
            refusal = rig_refusal(rig, observation, SMALL_PATH)
            expected = LEGAL[do][STATES[rig.power, rig.coil]]
            assert (refusal is None) == expected, (rig, observation, refusal)
            if refusal is not None:
                assert REASONS[do, rig.power, rig.coil] in refusal.problem
                assert "first" in refusal.problem  # says what to do before
                assert refusal.pointer == "/do"
    assert seen >= len(ALL_RIGS)


READY = Rig(power=True, coil=True, joints_open=frozenset({LOOP_JOINT}), isolated=frozenset({D3}))
OFF = replace(READY, power=False)
LOOKING = replace(READY, coil=False)

NO_SENSE = [
    (READY, Isolate(at=D3), "isolated already", "/at"),
    (READY, Restore(at=D1), "not isolated", "/at"),
    (READY, Restore(at=Place("splice", "N3")), "Isolated now: device D3", "/at"),
    (READY, Isolate(at=Place("device", "D9")), "No device 'D9'", "/at/device"),
    (READY, Isolate(at=Place("segment", "N1")), "No segment 'N1'", "/at/segment"),
    (READY, Isolate(at=Place("splice", "S1")), "No node 'S1'", "/at/splice"),
    (READY, Isolate(at=Place("unmapped", "N9")), "No node 'N9'", "/at/unmapped"),
    (READY, Isolate(at=Place("splice", "N0")), "is the controller", "/at/splice"),
    (READY, Isolate(at=Place("controller")), "cannot be taken out", "/at"),
    (READY, Isolate(at=Place("none")), "cannot be taken out", "/at"),
    (READY, Isolate(at=Place("overload")), "cannot be taken out", "/at"),
    (READY, Isolate(at=Place("other")), "cannot be taken out", "/at"),
    (OFF, Alone(at=Place("segment", "S1"), current_ma=1.0), "Only a device", "/at"),
    (OFF, Alone(at=Place("device", "N1"), current_ma=1.0), "No device 'N1'", "/at/device"),
    (OFF, OpenJoints(done=(LOOP_JOINT,)), "open already", "/done/0"),
    (OFF, OpenJoints(done=(OTHER_JOINT, OTHER_JOINT)), "named twice", "/done/1"),
    (OFF, CloseJoints(done=(OTHER_JOINT,)), "closed already", "/done/0"),
    (OFF, CloseJoints(done=(LOOP_JOINT, LOOP_JOINT)), "named twice", "/done/1"),
    (OFF, OpenJoints(done=(OTHER_JOINT, ("S9", "to"))), "No segment 'S9'", "/done/1/segment"),
    (READY, Clamp(node="N9", wire="S1", current_ma=1.0), "No node 'N9'", "/node"),
    (READY, Clamp(node="N1", wire="S3", current_ma=1.0), "has S1, S2, D1 there", "/wire"),
    (READY, Clamp(node="N1", wire="D2", current_ma=1.0), "No wire 'D2' at N1", "/wire"),
    (READY, Clamp(node="N9", wire=None, current_ma=1.0), "No node 'N9'", "/node"),
    (READY, PathOff(node="N1", wire="S4", current_ma=0.0), "No wire 'S4' at N1", "/wire"),
    (READY, ClampSet(node="N9", readings=()), "No node 'N9'", "/node"),
    (
        READY,
        ClampSet(node="N1", readings=(TagReading(tag="1", current_ma=1.0),) * 2),
        "two wires",
        "/readings/1/tag",
    ),
    (READY, Reference(current_ma=1.0, legs_on=("S2",)), "'S2' is not a leg", "/legs_on/0"),
    (READY, Reference(current_ma=1.0, legs_on=("S1", "S1")), "named twice", "/legs_on/1"),
    (LOOKING, Message(shown=True, legs_on=("S1", "X")), "'X' is not a leg", "/legs_on/1"),
    (LOOKING, RunStation(station=8, shown=True), "it has stations 7", "/station"),
    (READY, Cannot(node="N9"), "No node 'N9'", "/node"),
    (READY, Strike(step=0), "counted from 1", "/step"),
]


@pytest.mark.parametrize(("rig", "observation", "says", "pointer"), NO_SENSE)
def test_what_makes_no_sense_is_refused_at_its_field(
    rig: Rig, observation: Observation, says: str, pointer: str
) -> None:
    refusal = rig_refusal(rig, observation, SMALL_PATH)
    assert refusal is not None
    assert says in refusal.problem
    assert refusal.pointer == pointer


def test_a_lifted_lead_and_the_wires_of_isolated_places_may_be_clamped() -> None:
    rig = replace(READY, isolated=frozenset({D1, Place("segment", "S2"), Place("splice", "N1")}))
    for wire in ("D1", "S2", "S1"):
        assert rig_refusal(rig, Clamp(node="N1", wire=wire, current_ma=0.0), SMALL_PATH) is None


def test_a_station_is_believed_where_the_map_names_none() -> None:
    devices = tuple(replace(device, stations=()) for device in SMALL_PATH.devices)
    path = replace(SMALL_PATH, devices=devices)
    assert rig_refusal(LOOKING, RunStation(station=99, shown=True), path) is None
