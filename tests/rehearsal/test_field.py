"""The simulated ground: readings against hand-worked circuits, conditions, and the clock."""

from __future__ import annotations

import dataclasses

import pytest

from faults.rehearsal import ground_rig
from faults.rehearsal.field import Field
from faults.rehearsal.unmapped import true_places
from faults.tracing.observations import Alone, Cannot, Clamp, Message, Reference
from sites.network.elements import Device, Node, Segment, WirePath
from sites.network.faults import Fault, Place
from tests.rehearsal.grounds import COIL_OHM, corner_path, rehearsal, short, step

# IEC 60228 class 1, 2.5 mm2: 7.41 ohm/km a conductor at 20 C (tests/data, checks of conductors).
LOOP_OHM_PER_M = 2 * 7.41e-3
S1_OHM, S2_OHM = 100 * LOOP_OHM_PER_M, 200 * LOOP_OHM_PER_M
DEVICE_OHM = 28.0 / 0.002


def parallel(*ohms: complex) -> complex:
    return 1.0 / sum(1.0 / ohm for ohm in ohms)


def down_from_n2(fault_ohm: float | None) -> complex:
    """Impedance seen into N2, with a short there or none."""
    beyond = S2_OHM + DEVICE_OHM
    return parallel(DEVICE_OHM, beyond, *([] if fault_ohm is None else [fault_ohm]))


def energised(truth_field: Field) -> Field:
    """Power off, coil in, power on."""
    truth_field.answer(step("power", on=False))
    truth_field.answer(step("fit_coil", fitted=True))
    truth_field.answer(step("power", on=True))
    return truth_field


def clamp_ma(field: Field, node: str, wire: str) -> float:
    seen = field.answer(step("clamp", node=node, wire=wire))
    assert isinstance(seen, Clamp)
    return seen.current_ma


def shows(field: Field, legs_on: tuple[str, ...] | None = None) -> bool:
    seen = field.answer(step("message", legs_on=legs_on))
    assert isinstance(seen, Message)
    return seen.shown


# -- currents ------------------------------------------------------------------------------------


def test_reference_and_clamps_equal_the_hand_worked_circuit() -> None:
    field = energised(Field(rehearsal(short(Place("splice", "N2"), 5.0))))
    into_n2 = down_from_n2(5.0)
    into_n1 = parallel(DEVICE_OHM, S2_OHM + into_n2)
    total_a = 28.0 / (0.4 + COIL_OHM + S1_OHM + into_n1)
    reference = field.answer(step("reference"))
    assert isinstance(reference, Reference)
    assert reference.current_ma == pytest.approx(1000 * abs(total_a), rel=1e-6)
    n1_v = total_a * into_n1
    s2_a = n1_v / (S2_OHM + into_n2)
    assert clamp_ma(field, "N1", "S2") == pytest.approx(1000 * abs(s2_a), rel=1e-6)
    n2_v = s2_a * into_n2
    assert clamp_ma(field, "N2", "D2") == pytest.approx(1000 * abs(n2_v / DEVICE_OHM), rel=1e-5)
    s3_a = n2_v / (S2_OHM + DEVICE_OHM)
    assert clamp_ma(field, "N2", "S3") == pytest.approx(1000 * abs(s3_a), rel=1e-5)


def test_a_short_at_a_device_flows_in_its_lead() -> None:
    field = energised(Field(rehearsal(short(Place("device", "D2"), 5.0))))
    beyond_ma = clamp_ma(field, "N2", "S3")
    assert clamp_ma(field, "N2", "D2") > 100.0 > 2.0 > beyond_ma


def test_a_device_alone_hangs_on_the_controller_at_no_distance() -> None:
    field = energised(Field(rehearsal(short(Place("device", "D2"), 5.0))))
    field.answer(step("power", on=False))
    seen = field.answer(step("alone", at=Place("device", "D2")))
    assert isinstance(seen, Alone)
    alone_a = 28.0 / (0.4 + COIL_OHM + parallel(5.0, DEVICE_OHM))
    assert seen.current_ma == pytest.approx(1000 * abs(alone_a), rel=1e-6)


def test_nothing_is_read_with_the_power_off_or_while_the_controller_cuts_off() -> None:
    field = Field(rehearsal(short(Place("splice", "N2"))))
    assert clamp_ma(field, "N1", "S2") == 0.0
    energised(field)
    assert clamp_ma(field, "N1", "S2") > 100.0
    field.answer(step("power", on=False))
    assert clamp_ma(field, "N1", "S2") == 0.0


def test_solutions_are_kept_while_the_condition_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    solves = []
    original = ground_rig.solve_prepared

    def counted(*args: object, **kwargs: object) -> object:
        solves.append(args)
        return original(*args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(ground_rig, "solve_prepared", counted)
    field = energised(Field(rehearsal(short(Place("splice", "N2")))))
    for wire in ("S1", "S2", "D1"):
        clamp_ma(field, "N1", wire)
    assert len(solves) == 1


# -- conditions ----------------------------------------------------------------------------------


def test_message_against_the_trip_current() -> None:
    full_a = 28.0 / (0.4 + S1_OHM + parallel(DEVICE_OHM, S2_OHM + down_from_n2(5.0)))
    for trip_ma, expected in ((1000 * full_a * 0.999, True), (1000 * full_a * 1.001, False)):
        survey = dataclasses.replace(corner_path(), trip_ma=trip_ma)
        field = Field(rehearsal(short(Place("splice", "N2")), survey=survey))
        assert shows(field) is expected
        assert shows(field, ("S1",)) is expected
        assert shows(field, ()) is False


@pytest.mark.parametrize("place", [Place("device", "D2"), Place("segment", "S2")], ids=str)
def test_isolating_the_culprit_clears_the_message_and_restoring_brings_it_back(
    place: Place,
) -> None:
    field = Field(rehearsal(short(place)))
    other = Place("device", "D1")
    assert shows(field)
    field.answer(step("isolate", at=other))
    assert shows(field)
    field.answer(step("isolate", at=place))
    assert not shows(field)
    field.answer(step("restore", at=place))
    assert shows(field)


def test_open_joint_takes_off_what_lies_beyond() -> None:
    field = Field(rehearsal(short(Place("device", "D3"))))
    assert shows(field)
    field.answer(step("open_joints", joints=(("S2", "to"),)))
    assert not shows(field)
    field.answer(step("close_joints", joints=(("S2", "to"),)))
    assert shows(field)


def test_a_joint_that_the_survey_has_open_can_be_closed_and_opened_again() -> None:
    survey = corner_path()
    segments = tuple(
        dataclasses.replace(s, joint_open="from") if s.id == "S3" else s for s in survey.segments
    )
    survey = dataclasses.replace(survey, segments=segments)
    field = Field(rehearsal(short(Place("device", "D3")), survey=survey))
    assert not shows(field)
    field.answer(step("close_joints", joints=(("S3", "from"),)))
    assert shows(field)
    field.answer(step("open_joints", joints=(("S3", "from"),)))
    assert not shows(field)


@pytest.mark.parametrize(
    ("kind", "with_legs", "alone"),
    [("none", False, False), ("controller", True, True), ("other", True, False)],
)
def test_what_has_no_place_on_the_path(kind: str, with_legs: bool, alone: bool) -> None:
    fault = Fault("short", Place(kind))  # type: ignore[arg-type]
    field = Field(rehearsal(fault))
    assert shows(field) is with_legs
    assert shows(field, ()) is alone
    energised(field)
    # The path itself is sound: 3 devices of 2 mA behind the coil.
    assert clamp_ma(field, "N0", "S1") == pytest.approx(6.0, abs=0.2)


def test_an_overload_is_a_sound_path_that_draws_past_the_trip() -> None:
    survey = corner_path()
    thirsty = tuple(dataclasses.replace(device, draw_ma=500.0) for device in survey.devices)
    actual = dataclasses.replace(survey, devices=thirsty)
    field = Field(rehearsal(Fault("short", Place("overload")), actual=actual))
    assert shows(field)
    assert not shows(field, ())
    # As mapped the same path is silent.
    assert not shows(Field(rehearsal(Fault("short", Place("overload")))))


def test_a_fault_that_comes_and_goes_is_drawn_at_each_look_and_holds_until_the_next() -> None:
    field = Field(rehearsal(short(Place("splice", "N2"), show_chance=0.5)))
    looks = [shows(field) for _ in range(200)]
    # 200 looks at a half: 100 ± 4 standard deviations of 7.07.
    assert 72 <= sum(looks) <= 128
    seen = set()
    for _ in range(40):
        energised(field)
        readings = {clamp_ma(field, "N1", "S2") > 50.0 for _ in range(5)}
        assert len(readings) == 1
        seen |= readings
    assert seen == {True, False}


def test_a_fuzzy_trip_is_drawn_at_each_look() -> None:
    full_a = 28.0 / (0.4 + S1_OHM + parallel(DEVICE_OHM, S2_OHM + down_from_n2(5.0)))
    survey = dataclasses.replace(corner_path(), trip_ma=1000 * full_a, trip_spread=0.05)
    field = Field(rehearsal(short(Place("splice", "N2")), survey=survey))
    assert 72 <= sum(shows(field) for _ in range(200)) <= 128


# -- what the map does not have, and what only the map has ---------------------------------------


def test_an_unmapped_short_is_counted_read_and_left_off_with_the_splice() -> None:
    field = energised(Field(rehearsal(short(Place("unmapped", "N2"), 5.0))))
    seen = field.answer(step("clamp", node="N2", wire="S2"))
    assert isinstance(seen, Clamp)
    # S2, S3 and D2 are on the map; one more hangs there.
    assert seen.cables_seen == 4
    unmapped = field.answer(step("clamp", node="N2", wire=None))
    assert isinstance(unmapped, Clamp)
    assert unmapped.wire is None
    assert unmapped.seen_as
    unmapped_ma = unmapped.current_ma
    rest_ma = clamp_ma(field, "N2", "S3") + clamp_ma(field, "N2", "D2")
    # In phase to better than a part in a thousand: the short and the devices are resistors.
    assert unmapped_ma == pytest.approx(seen.current_ma - rest_ma, rel=1e-3)
    # The hard reading: whoever remakes the splice leaves the unmapped wire off.
    field.answer(step("isolate", at=Place("splice", "N2")))
    assert clamp_ma(field, "N2", "S2") < 5.0
    field.answer(step("restore", at=Place("splice", "N2")))
    field.answer(step("isolate", at=Place("device", "D2")))
    assert clamp_ma(field, "N2", "S2") > 100.0
    field.answer(step("isolate", at=Place("unmapped", "N2")))
    assert clamp_ma(field, "N2", "S2") < 5.0
    assert field.rig.cables_at("N2") == 4


def with_branch_off_the_map() -> WirePath:
    """The corner path with a cable X1 from N2 to a box X2 with device XD, not on the map."""
    survey = corner_path()
    return dataclasses.replace(
        survey,
        nodes=(*survey.nodes, Node("X2", "device-splice", 0.0, 200.0, "box")),
        segments=(*survey.segments, Segment("X1", "N2", "X2", 50.0, "2.5 mm2")),
        devices=(*survey.devices, Device("XD", "X2", "decoder", 2.0)),
    )


def test_a_branch_off_the_map_goes_off_with_the_splice_it_hangs_in() -> None:
    truth = rehearsal(short(Place("device", "XD")), actual=with_branch_off_the_map())
    assert true_places(truth) == (Place("unmapped", "N2"),)
    field = energised(Field(truth))
    seen = field.answer(step("clamp", node="N2", wire="S2"))
    assert isinstance(seen, Clamp)
    assert seen.cables_seen == 4
    assert field.rig.wire_ma("N2", None, None) > 100.0
    field.answer(step("isolate", at=Place("splice", "N2")))
    assert clamp_ma(field, "N2", "S2") < 7.0


def test_nothing_unmapped_there_gives_cannot() -> None:
    field = energised(Field(rehearsal(short(Place("splice", "N2")))))
    assert isinstance(field.answer(step("isolate", at=Place("unmapped", "N2"))), Cannot)
    assert isinstance(field.answer(step("clamp", node="N2", wire=None)), Cannot)


def test_what_only_the_map_has_gives_cannot_and_costs_the_way() -> None:
    survey = corner_path()
    actual = dataclasses.replace(
        survey, nodes=survey.nodes[:3], segments=survey.segments[:2], devices=survey.devices[:2]
    )
    field = energised(Field(rehearsal(short(Place("splice", "N2")), actual=actual)))
    for asked, node in (
        (step("clamp", node="N2", wire="S3"), "N2"),
        (step("clamp", node="N3", wire="D3"), "N3"),
        (step("isolate", at=Place("device", "D3")), "N3"),
        (step("alone", at=Place("device", "D3")), "N3"),
        (step("open_joints", joints=(("S3", "to"),)), "N3"),
    ):
        seen = field.answer(asked)
        assert isinstance(seen, Cannot)
        assert seen.node == node
    # From the controller to N2 (box) and on to N3 (buried), once each.
    assert field.minutes == pytest.approx(5.0 + 161.0 / 72.0 + 3.0 + 2.0 + 45.0, abs=0.01)


# -- the clock -----------------------------------------------------------------------------------


def test_clock_by_costs_on_a_hand_worked_walk() -> None:
    """72 m/min; box 3, buried 45, controller 4, same place 0.5, isolate 6 / 25 / 60."""
    field = Field(rehearsal(short(Place("splice", "N2"))))
    walk = [
        (step("message"), 4.0),
        (step("power", on=False), 0.5),
        (step("fit_coil", fitted=True), 4.0),
        (step("power", on=True), 0.5),
        (step("reference"), 4.0),
        # At work at the cabinet already, so a further reading.
        (step("clamp", node="N0", wire="S1"), 0.5),
        # 72 m and a lid; the first reading goes with the arrival.
        (step("clamp", node="N1", wire="S1"), 1.0 + 3.0),
        (step("clamp", node="N1", wire="S2"), 0.5),
        (step("clamp", node="N2", wire="S2"), 2.0 + 3.0),
        (step("isolate", at=Place("device", "D2")), 6.0),
        (step("clamp", node="N2", wire="S2"), 0.5),
        (step("restore", at=Place("device", "D2")), 6.0),
        (step("clamp", node="N3", wire="S3"), 2.0 + 45.0),
        (step("isolate", at=Place("splice", "N3")), 25.0),
        # S2 from its nearer end N2: 144 m and a lid.
        (step("isolate", at=Place("segment", "S2")), 2.0 + 3.0 + 60.0),
        # Back to the cabinet: sqrt(72² + 144²) = 160.997 m, nothing to open.
        (step("message"), 160.997 / 72.0 + 4.0),
    ]
    now_min = 0.0
    for asked, minutes in walk:
        seen = field.answer(asked)
        now_min += minutes
        assert seen.at_min == pytest.approx(now_min, abs=1e-4), asked.do
