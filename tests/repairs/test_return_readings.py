"""A return test judges each number that something is known of, just inside and just outside."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from core.accounts.actor import Actor
from core.problems import Conflict, Stale
from faults.leg_volts import LeastVolts, least_volts, lowest_predicted_v
from faults.models import FaultCall, ReturnTest, SoakCheck, SoundRecord
from faults.pages.story import call_story, soak_lines
from faults.services import soak_judgement
from faults.services.leg_expectations import LegPredicted, terminals_least
from faults.services.return_tests import return_test_record
from faults.services.soak_checks import SoakLeg, SoakReadings, soak_check_done
from faults.services.soak_judgement import UNPREDICTED, soak_standard
from faults.services.sound_records import LegSound, sound_record
from faults.tracing.problem import Meter
from faults.tracing.rig_places import legs_of
from sites.models import WirePath
from sites.network.elements import PathLimits
from sites.network.elements import WirePath as WirePathElements
from sites.network.solve import solve
from sites.network_snapshot import path_network
from tests.faults.places import path_at_new_place
from tests.repairs.field import moved, opened, readings_of, repaired, return_test
from tests.tracing.drives import tree_path

PERFECT = Meter(percent=0.0, counts=0.0, resolution_ma=0.0)
"""A meter without a spread of its own, so that three spreads can be worked by hand."""


def call_to_test(by: Actor, *, limit_v: float | None = None) -> FaultCall:
    """A repaired call that is to be tested, its path with or without a least device voltage."""
    survey = replace(tree_path(), limits=PathLimits(min_device_v=limit_v))
    call = opened(by, path_at_new_place(by, survey))
    repaired(call, by)
    return call


def read(call: FaultCall, by: Actor, meter: Meter | None = None, **one: Any) -> ReturnTest:
    """A return test that is sound but for ``one`` thing at its first leg."""
    assert call.path is not None
    sound = readings_of(WirePath.objects.get(pk=call.path.pk))
    first, *others = sound.legs
    legs = (replace(first, **one), *others)
    readings = replace(sound, legs=legs, meter=meter or sound.meter)
    return return_test_record(call=call, readings=readings, by=by)


def again(call: FaultCall, by: Actor) -> FaultCall:
    """The next call of the path, after this one was closed on its test."""
    moved(call, "closed", by, outcome="repaired")
    later = opened(by, call.path)
    repaired(later, by)
    return later


# exp(3 × 0.35) = 2.8577, by which a prediction may be off either way.
@pytest.mark.parametrize(
    ("factor", "passes"), [(2.85, True), (2.87, False), (0.3505, True), (0.349, False)]
)
def test_a_current_lies_within_three_spreads_of_the_prediction(
    by: Actor, factor: float, passes: bool
) -> None:
    assert math.exp(3 * 0.35) == pytest.approx(2.8577, abs=1e-4)
    test = return_test(call_to_test(by), by, factor=factor, meter=PERFECT)
    assert (test.passed, {leg.basis for leg in test.legs.all()}) == (passes, {"prediction"})


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_a_current_lies_within_three_spreads_of_the_record(by: Actor, side: float) -> None:
    """5 % between two visits; 0.3 mA of pick-up and 0.5 % of lengths in each of both readings."""
    call = call_to_test(by)
    assert return_test(call, by).passed
    later = again(call, by)
    record_ma = SoundRecord.objects.get(leg="S1").current_ma
    assert record_ma is not None
    spread = math.sqrt((0.05 * record_ma) ** 2 + 2 * (0.3**2 + (0.005 * record_ma) ** 2))
    for more, passes in ((0.01, False), (-0.01, True)):
        edge_ma = record_ma + side * (3.0 * spread + more)
        test = read(later, by, meter=PERFECT, current_ma=edge_ma)
        leg = test.legs.get(leg="S1")
        assert (test.passed, leg.within, leg.basis) == (passes, passes, "sound-record")


@pytest.mark.parametrize(
    ("one", "words"),
    [
        ({"far_v": 0.0}, "the far end of leg S1 reads 0 V and should read"),
        ({"insulation_mohm": 0.0}, "leg S1 has 0 MΩ to earth; 1 MΩ or more is common practice"),
        ({"insulation_mohm": 0.99}, "leg S1 has 0.99 MΩ to earth"),
    ],
)
def test_a_number_that_no_sound_path_gives_fails_the_test(
    by: Actor, one: dict[str, float], words: str
) -> None:
    call = call_to_test(by)
    test = read(call, by, **one)
    assert (test.passed, len(test.failures)) == (False, 1)
    assert words in test.failures[0]
    assert {leg.leg: leg.within for leg in test.legs.all()} == {"S1": False, "S7": True}
    assert not SoundRecord.objects.exists()
    assert read(call, by, far_v=24.0, insulation_mohm=1.0).passed


def test_all_zeros_fail_by_each_number(by: Actor) -> None:
    zeros = {"current_ma": 0.0, "far_v": 0.0, "far_ohm": 0.0, "insulation_mohm": 0.0}
    assert len(read(call_to_test(by), by, **zeros).failures) == 3


def test_ohms_are_kept_and_not_judged(by: Actor) -> None:
    test = read(call_to_test(by), by, far_ohm=0.0)
    assert test.passed
    assert test.legs.get(leg="S1").far_ohm == 0.0


def test_what_was_not_read_is_not_judged(by: Actor) -> None:
    assert read(call_to_test(by, limit_v=27.0), by, far_v=None).failures == [
        "the far end of leg S7 reads 24 V and should read 27.0 V or more by the limit of the path"
    ]


@pytest.mark.parametrize(("far_v", "passes"), [(23.5, True), (23.49, False)])
def test_no_device_is_below_the_limit_of_the_path(by: Actor, far_v: float, passes: bool) -> None:
    test = read(call_to_test(by, limit_v=23.5), by, far_v=far_v)
    leg = test.legs.get(leg="S1")
    assert (test.passed, leg.least_far_v, leg.least_far_v_basis) == (passes, 23.5, "limit")


# 24 V less three spreads of 6.56 %: 3 % of each reading, 5 % of the supply between them.
@pytest.mark.parametrize(("far_v", "passes"), [(19.29, True), (19.26, False)])
def test_a_far_voltage_is_held_against_its_record(by: Actor, far_v: float, passes: bool) -> None:
    call = call_to_test(by)
    assert read(call, by, far_v=24.0).passed
    test = read(again(call, by), by, far_v=far_v)
    leg = test.legs.get(leg="S1")
    assert leg.least_far_v == pytest.approx(24.0 * (1 - 3 * math.sqrt(2 * 0.03**2 + 0.05**2)))
    assert (test.passed, leg.least_far_v_basis) == (passes, "sound-record")


def test_without_a_record_it_is_held_against_the_prediction(by: Actor) -> None:
    call = call_to_test(by)
    leg = read(call, by).legs.get(leg="S1")
    assert leg.least_far_v is not None
    assert leg.least_far_v_basis == "prediction"
    assert read(call, by, far_v=leg.least_far_v + 0.01).passed
    assert not read(call_to_test(by), by, far_v=leg.least_far_v - 0.01).passed


def test_the_least_voltage_by_hand() -> None:
    """Of 26 V predicted behind 28 V: 3 × 5.83 % of 26 V is 4.548 V; 2 V of drop may be 2.8577
    times as much, 3.715 V more; together 5.873 V."""
    known = least_volts(limit_v=None, record_v=None, predicted_v=26.0, source_v=28.0)
    assert known is not None
    assert (known.volts, known.basis) == (pytest.approx(20.127, abs=2e-3), "prediction")
    above = least_volts(limit_v=21.0, record_v=None, predicted_v=26.0, source_v=28.0)
    assert above == LeastVolts(21.0, "limit")
    assert least_volts(limit_v=None, record_v=None, predicted_v=None, source_v=28.0) is None


def test_each_leg_has_the_lowest_voltage_of_its_own_devices() -> None:
    path = tree_path()
    solution = solve(path)
    nodes = {"S1": ("N1", "N2", "N3"), "S7": ("N7",)}
    lowest = lowest_predicted_v(path, solution, legs_of(path))
    for leg, behind in nodes.items():
        assert lowest[leg] is not None
        assert lowest[leg] <= min(abs(solution.voltage_v(node)) for node in behind)  # type: ignore[operator]
    assert lowest["S1"] != lowest["S7"]


def test_the_terminals_may_read_no_less_than_is_predicted(by: Actor) -> None:
    """Three spreads below what the circuit says, with the drop in the controller as at a leg."""
    call = call_to_test(by)
    unread = return_test(call, by)
    assert (unread.passed, unread.least_terminal_v_basis) == (True, "prediction")
    assert call.path is not None
    network = path_network(WirePath.objects.get(pk=call.path.pk))
    at_terminals_v = abs(solve(network).voltage_v(network.controller.id))
    drop_v = network.source_v - at_terminals_v
    below_v = math.hypot(
        3.0 * math.hypot(0.03, 0.05) * at_terminals_v, drop_v * math.expm1(3.0 * 0.35)
    )
    least_v = unread.least_terminal_v
    assert least_v == pytest.approx(at_terminals_v - below_v)
    assert return_test(call, by, terminal_v=at_terminals_v - below_v + 0.01).passed
    low = return_test(call, by, terminal_v=at_terminals_v - below_v - 0.01)
    assert not low.passed
    (told,) = low.failures
    assert told.startswith("the controller's terminals read ")
    assert told.endswith(f"should read {least_v:.1f} V or more by the prediction")


def test_the_terminals_never_read_less_than_the_devices_want() -> None:
    one = LegPredicted("S1", 90.0, 31.0, least_device_v=32.0, source_v=36.0, terminal_v=35.0)
    assert terminals_least((one,)) == LeastVolts(32.0, "limit")
    assert terminals_least(()) is None


def test_what_cannot_be_is_kept_and_doubted_and_nothing_is_held_against_it(by: Actor) -> None:
    call = call_to_test(by)
    passed = read(call, by, far_v=400.0)
    (doubt,) = passed.warnings
    assert doubt in [line for entry in call_story(call) for line in entry.more]
    assert (passed.passed, doubt[:45]) == (True, "Leg S1: 400 V is more than the source has, ab")
    assert SoundRecord.objects.get(leg="S1").far_v == 400.0, "it is kept"
    later = read(again(call, by), by)
    leg = later.legs.get(leg="S1")
    assert (later.passed, leg.basis, leg.least_far_v_basis) == (True, "sound-record", "prediction")
    sound_record(path=passed.path, source="inspection", legs=[LegSound("S1", 9e5)], by=by)
    assert read(later.call, by).legs.get(leg="S1").basis == "prediction"
    high = read(later.call, by, current_ma=9e5)
    assert (high.passed, high.warnings[0][:9]) == (False, "Leg S1: 9")


def test_a_meter_too_coarse_to_tell_anything_is_told(by: Actor) -> None:
    coarse = Meter(percent=100.0, counts=1000.0, resolution_ma=1000.0)
    test = read(call_to_test(by), by, meter=coarse, current_ma=700.0)
    assert test.passed, "no current that can flow would have failed"
    assert {words.split(":")[0] for words in test.warnings} == {
        f"Leg {leg.leg}" for leg in test.legs.all()
    }
    assert "its current proves nothing" in test.warnings[0]


def test_a_soak_check_of_a_map_that_cannot_be_predicted_is_kept_and_judged_by_nothing(
    by: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unsolved(_network: WirePathElements) -> tuple[LegPredicted, ...]:
        raise Conflict("The path as mapped cannot be predicted.")

    call = call_to_test(by)
    monkeypatch.setattr(soak_judgement, "legs_predicted", unsolved)
    read = SoakReadings((SoakLeg("S1", current_ma=9e5, insulation_mohm=0.1),), terminal_v=20.0)
    done = soak_check_done(
        check=SoakCheck.objects.get(repair__call=call),
        state="held",
        readings=read,
        version=1,
        by=by,
    )
    leg = done.legs.get()
    assert (leg.current_ma, leg.within, leg.most_ma, leg.basis) == (9e5, None, None, "")
    assert (done.least_terminal_v, done.outside) == (None, [])
    assert [words.split(":")[0] for words in done.warnings] == ["Leg S1", UNPREDICTED]
    assert set(done.warnings) < set(soak_lines(done))


def test_a_map_that_changed_while_a_soak_check_was_reckoned_is_told(by: Actor) -> None:
    path = call_to_test(by).path
    assert path is not None
    standard = soak_standard(path)
    WirePath.objects.filter(pk=path.pk).update(revision=path.revision + 1)
    with pytest.raises(Stale, match="map was changed meanwhile"):
        standard.judged((SoakLeg("S1", current_ma=9.0),), None)
