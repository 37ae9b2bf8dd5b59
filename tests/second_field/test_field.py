"""The person in the second field: mistakes, modes, refusals, clock, and the random cases."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from tests.second_field.cases import case_of
from tests.second_field.field import SecondField
from tests.second_field.judge import is_located, is_proved, is_wrongly_proved
from tests.second_field.meter import ClampMeter
from tests.second_field.places import Document
from tests.second_field.small_paths import clear_of_coil, energise, fork, short

MESSAGE = {"do": "message", "stage": "ruling-out"}


def clamp(node: str, wire: str | None, **more: object) -> Document:
    return {"do": "clamp", "node": node, "wire": wire, "stage": "following", **more}


def live(document: Document, seed: int = 3, **modes: object) -> SecondField:
    field = SecondField(document, seed, **modes)  # type: ignore[arg-type]
    energise(field)
    return field


def share_shown(field: SecondField, step: Document, looks: int = 300) -> float:
    return sum(bool(field.answer(step)["shown"]) for _ in range(looks)) / looks


def test_the_same_steps_get_the_same_answers() -> None:
    steps = [clamp("N1", "S1"), clamp("N2", "S3"), {"do": "reference"}, clamp("N4", "S4")]
    one, two = live(fork({"device": "D3"})), live(fork({"device": "D3"}))
    first = [one.answer(step) for step in steps]
    assert first == [two.answer(step) for step in steps]
    other = live(fork({"device": "D3"}), seed=4)
    assert first != [other.answer(step) for step in steps]


def test_one_reading_in_thirty_three_has_both_conductors_and_one_in_fifty_a_sibling() -> None:
    field = live(fork({"device": "D3"}))
    readings = [field.answer(clamp("N2", "S2"))["current_ma"] for _ in range(1000)]
    none = np.mean([reading <= 1.0 for reading in readings])
    # Siblings at N2: S3 carries as much as S2, S4 and D2 next to nothing.
    low = np.mean([reading <= 4.0 for reading in readings])
    assert 0.015 < none < 0.05
    assert none <= low < 0.07
    assert np.median(readings) > 200.0
    # At the lead of a sound device a sibling shows as a reading far too high.
    at_lead = [field.answer(clamp("N2", "D2"))["current_ma"] for _ in range(1000)]
    high = np.mean([reading > 100.0 for reading in at_lead])
    assert 0.004 < high < 0.026


def test_both_in_the_jaw_on_purpose_reads_pick_up() -> None:
    field = live(fork({"device": "D3"}))
    answer = field.answer(clamp("N2", "S2", conductor="both"))
    assert answer["conductor"] == "both"
    assert answer["current_ma"] <= 1.0


def test_readings_stay_within_the_meter_and_drift() -> None:
    field = live(fork({"device": "D3"}))
    coil_ohm = abs(complex(40, 100))
    readings = [field.answer({"do": "reference"})["current_ma"] for _ in range(30)]
    assert all(reading == round(reading) for reading in readings)
    assert 28000 / coil_ohm * 0.85 < min(readings) < max(readings) < 28000 / coil_ohm * 1.06


def test_the_gain_of_the_meter_is_one_for_a_trace_and_within_its_percent() -> None:
    means = []
    for seed in range(60):
        meter = ClampMeter({"percent": 1.0, "counts": 2}, np.random.default_rng(seed))
        readings = [meter.read(0.4) for _ in range(60)]
        # 2 counts, 1 mA of pick-up and half a count of rounding beside the gain.
        assert max(readings) - min(readings) <= 7.0
        means.append(float(np.mean(readings)) / 400.0 - 1.0)
    assert max(np.abs(means)) < 0.0125
    assert 0.004 < np.std(means) < 0.0075


def test_nothing_in_the_jaw_still_picks_up_up_to_a_milliamp() -> None:
    meter = ClampMeter(
        {"percent": 0.0, "counts": 0, "resolution_ma": 0.01}, np.random.default_rng(1)
    )
    readings = [meter.read(0j) for _ in range(400)]
    assert 0.45 < np.mean(readings) < 0.55
    assert 0.9 < max(readings) <= 1.0


def test_the_line_drifts_by_two_percent_at_most() -> None:
    swings = []
    for seed in range(40):
        field = live(fork({"device": "D3"}), seed=seed)
        lines = []
        for _ in range(60):
            field.answer({"do": "path_off", "node": "N1", "wire": "S1"})
            field.clock.spend(10.0, "N1")
            lines.append(field._hookup(None, coil=True).line_v / 28.0 - 1.0)
        swings.append(max(np.abs(lines)))
    assert max(swings) <= 0.02
    assert np.mean(swings) > 0.006


def test_the_coil_takes_current_down_as_it_warms() -> None:
    field = live(fork({"device": "D3"}))
    cold = field.coil.ohm
    for _ in range(12):
        field.answer({"do": "reference"})
    warm = field.coil.ohm
    assert warm.real > cold.real * 1.03
    assert warm.imag == cold.imag
    field.answer({"do": "power", "on": False})
    for step in [clamp("N5", "S5"), {"do": "isolate", "at": {"segment": "S5"}}]:
        field.answer(step)
    assert field.coil.ohm.real < warm.real


def test_the_message_is_fuzzy_by_five_percent_about_the_trip() -> None:
    at_trip = SecondField(fork({"device": "D1"}), 1, near_trip=1.0)
    assert 0.35 < share_shown(at_trip, MESSAGE) < 0.65
    above = SecondField(fork({"device": "D1"}), 1, near_trip=1.05)
    assert 0.65 < share_shown(above, MESSAGE) < 0.97
    well_above = SecondField(fork({"device": "D1"}), 1, near_trip=1.4)
    assert share_shown(well_above, MESSAGE, 100) == 1.0


def test_the_message_follows_the_legs_that_are_on() -> None:
    field = SecondField(fork({"device": "D3"}), 1)
    nothing = field.answer({**MESSAGE, "legs_on": []})
    assert (nothing["legs_on"], nothing["shown"]) == ([], False)
    assert field.answer({**MESSAGE, "legs_on": ["S1"]})["shown"]
    assert not field.answer({**MESSAGE, "legs_on": ["S5"]})["shown"]
    assert "legs_on" not in field.answer(MESSAGE)


def test_a_controller_fault_shows_with_nothing_on_it() -> None:
    document = fork({"device": "D3"})
    document["faults"] = [{"kind": "controller", "at": {"controller": True}}]
    assert SecondField(document, 1).answer({**MESSAGE, "legs_on": []})["shown"]


PLACES = [
    {"device": "D3"},
    {"splice": "N2"},
    {"segment": "S3", "fraction": 0.4},
    {"unmapped": "N4"},
]


@pytest.mark.parametrize("at", PLACES, ids=lambda at: next(iter(at)))
def test_isolating_the_culprit_clears_the_message_and_restoring_brings_it_back(
    at: Document,
) -> None:
    field = live(fork(at))
    place = {kind: name for kind, name in at.items() if kind != "fraction"}
    assert field.answer({"do": "isolate", "at": place})["at"] == place
    clear_of_coil(field)
    assert not field.answer(MESSAGE)["shown"]
    field.answer({"do": "power", "on": False})
    assert field.answer({"do": "restore", "at": place})["do"] == "restore"
    field.answer({"do": "power", "on": True})
    assert field.answer(MESSAGE)["shown"]


@pytest.mark.parametrize(("cuts", "shown"), [(False, True), (True, False)])
@pytest.mark.parametrize("innocent", [{"splice": "N2"}, {"device": "D1"}, {"segment": "S2"}])
def test_a_bare_cut_clears_the_message_for_innocent_places(
    innocent: Document, cuts: bool, shown: bool
) -> None:
    field = live(fork({"device": "D3"}), cuts_instead_of_isolating=cuts)
    assert field.answer({"do": "isolate", "at": innocent})["do"] == "isolate"
    clear_of_coil(field)
    assert field.answer(MESSAGE)["shown"] is shown


def test_the_wrong_wire_is_read_only_while_proving() -> None:
    field = live(fork({"device": "D3"}), wrong_wire_while_proving=1.0)
    following = [field.answer(clamp("N3", "S3"))["current_ma"] for _ in range(20)]
    assert np.median(following) > 200.0
    # N4 has one cable and one lead: asked for the lead of D4 the cable is read, and the reverse.
    proving = [field.answer(clamp("N2", "D2", stage="proving"))["current_ma"] for _ in range(200)]
    assert 0.4 < np.mean([reading > 100.0 for reading in proving]) < 0.9
    field.answer({"do": "isolate", "at": {"device": "D4"}})
    isolated = [field.answer(clamp("N2", "D2"))["current_ma"] for _ in range(200)]
    assert 0.4 < np.mean([reading > 100.0 for reading in isolated]) < 0.9


def test_a_fault_that_comes_and_goes_is_drawn_anew_at_each_look() -> None:
    field = SecondField(fork({"device": "D3"}), 1, show_chance=0.5)
    assert 0.4 < share_shown(field, MESSAGE) < 0.6
    energise(field)
    readings = [field.answer(clamp("N1", "S1"))["current_ma"] > 100 for _ in range(1500)]
    # Redrawn at 0.15 of the clamps, half of the draws change it.
    changes = np.mean([one != two for one, two in itertools.pairwise(readings)])
    assert 0.05 < changes < 0.2
    assert 0.25 < np.mean(readings) < 0.7
    told = fork({"device": "D3"})
    told["faults"][0]["show_chance"] = 0.0
    assert not SecondField(told, 1).answer(MESSAGE)["shown"]


def test_what_is_not_on_the_map_can_be_counted_and_clamped() -> None:
    field = live(fork({"unmapped": "N4"}))
    counts = [field.answer(clamp("N4", "S4"))["cables_seen"] for _ in range(1000)]
    assert np.median(counts) == 3
    assert 0.002 < np.mean([count != 3 for count in counts]) < 0.025
    readings = [field.answer(clamp("N4", None)) for _ in range(20)]
    assert np.median([answer["current_ma"] for answer in readings]) > 200.0
    assert readings[0]["wire"] is None
    assert readings[0]["seen_as"]
    refused = field.answer(clamp("N3", None))
    assert (refused["do"], refused["node"]) == ("cannot", "N3")
    tags = field.answer({"do": "clamp_set", "node": "N4"})["readings"]
    assert sorted(reading["current_ma"] > 100 for reading in tags) == [False, True, True]


def test_a_device_alone_on_the_controller() -> None:
    field = SecondField(fork({"device": "D3"}, 5.0), 1)
    field.answer({"do": "power", "on": False})
    guilty = field.answer({"do": "alone", "at": {"device": "D3"}})["current_ma"]
    expected_ma = 28000 / abs(complex(40 + 0.4 + 5, 100 + 0.1))
    assert guilty == pytest.approx(expected_ma, rel=0.06)
    assert field.answer({"do": "alone", "at": {"device": "D4"}})["current_ma"] < 8


ILLEGAL = [
    ([{"do": "fit_coil", "fitted": True}], clamp("N1", "S1"), "power is off"),
    ([], clamp("N1", "S1"), "without the coil"),
    ([{"do": "power", "on": True}], {"do": "fit_coil", "fitted": True}, "power is on"),
    ([{"do": "power", "on": False}], MESSAGE, "power is off"),
    ([{"do": "fit_coil", "fitted": True}], MESSAGE, "with the coil in"),
    ([{"do": "power", "on": True}], {"do": "isolate", "at": {"device": "D1"}}, "power off first"),
    ([], {"do": "isolate", "at": {"device": "D99"}}, "no device D99"),
    ([], {"do": "isolate", "at": {"splice": "N0"}}, "terminals"),
    ([], {"do": "restore", "at": {"device": "D1"}}, "not isolated"),
    ([], {"do": "run_station", "station": 7}, "on no device"),
    ([], {"do": "dig"}, "not known"),
]


@pytest.mark.parametrize(("before", "step", "why"), ILLEGAL)
def test_what_may_not_or_cannot_be_done_is_answered_with_cannot(
    before: list[Document], step: Document, why: str
) -> None:
    field = SecondField(fork({"device": "D3"}), 1)
    for earlier in before:
        assert field.answer(earlier)["do"] == earlier["do"]
    answer = field.answer(step)
    assert answer["do"] == "cannot"
    assert why in answer["why"]
    assert len(field.refused) == 1


def test_minutes_by_hand() -> None:
    field = SecondField(fork({"device": "D3"}), 1)
    field.answer({"do": "power", "on": False})
    field.answer({"do": "fit_coil", "fitted": True})
    field.answer({"do": "power", "on": True})
    assert field.minutes == pytest.approx(0.5 + 4.0 + 0.5)
    # 120 m at 1.2 m/s and a box; a further reading there; 60 m on and a box and a lead lifted.
    field.answer(clamp("N2", "S2"))
    assert field.minutes == pytest.approx(5.0 + 120 / 1.2 / 60 + 3.0)
    field.answer(clamp("N2", "S3"))
    answer = field.answer({"do": "isolate", "at": {"device": "D3"}})
    expected = 5.0 + 120 / 1.2 / 60 + 3.0 + 0.5 + 60 / 1.2 / 60 + 3.0 + 6.0
    assert field.minutes == pytest.approx(expected)
    assert answer["at_min"] == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("seed", range(40))
def test_a_random_case_works_and_trips(seed: int) -> None:
    case = case_of(seed)
    survey = case.document["survey"]
    assert case.document["format"] == "clampline-rehearsal/1"
    assert 6 <= case.devices <= 400
    assert case.lowest_v >= 18.0
    assert case.faulted_ma >= 1.05 * survey["path"]["trip_ma"] >= 1.05 * 800
    assert case.sound_ma <= 0.7 * survey["path"]["trip_ma"] <= 0.7 * 1500
    ids = [row["id"] for rows in ("nodes", "segments", "devices") for row in survey[rows]]
    assert len(ids) == len(set(ids))
    joined = [seg for seg in survey["segments"] if not seg.get("joint_open")]
    assert len(joined) == len(survey["nodes"]) - 1
    spot = {node["id"]: (node["x_m"], node["y_m"]) for node in survey["nodes"]}
    for segment in survey["segments"]:
        assert segment["length_m"] >= math.dist(spot[segment["from"]], spot[segment["to"]]) - 1e-6
    draws = [dev["draw_ma"] for dev in survey["devices"] if dev["kind"] != "arrester"]
    assert 0.4 <= min(draws) <= max(draws) <= 6.0
    coil = complex(*case.document["series_coil_ohm"])
    assert 59.9 < abs(coil) < 200.1
    assert 1.49 < coil.imag / coil.real < 3.01
    kind, name = next(iter(case.truth.items()))
    rows = {"device": "devices", "splice": "nodes", "segment": "segments"}[kind]
    assert name in [row["id"] for row in survey[rows]]
    assert 0.5 <= case.document["faults"][0]["resistance_ohm"] <= 20.0


def test_cases_are_of_all_shapes_and_kinds_and_made_again_from_their_seed() -> None:
    cases = [case_of(seed) for seed in range(40)]
    assert {case.shape for case in cases} == {"straight", "branching", "bushy"}
    assert {next(iter(case.truth)) for case in cases} == {"device", "splice", "segment"}
    assert {case.document["coil_known"] for case in cases} == {False}, "nobody measures his coil"
    assert case_of(7) == cases[7]
    accesses = {node["access"] for case in cases for node in case.document["survey"]["nodes"]}
    assert accesses == {"cabinet", "box", "buried"}


@pytest.mark.parametrize("seed", range(5))
def test_cases_of_the_suites_are_as_asked_for(seed: int) -> None:
    hidden = case_of(seed, unmapped=True)
    assert list(hidden.truth) == ["unmapped"]
    near = case_of(seed, trip_ratio=(0.98, 1.08))
    assert 0.979 < near.faulted_ma / near.document["survey"]["path"]["trip_ma"] < 1.081


def verdict(outcome: str, *found: tuple[Document, bool]) -> Document:
    return {"outcome": outcome, "found": [{"at": at, "proved": proved} for at, proved in found]}


@pytest.mark.parametrize(
    ("ending", "located", "proved", "wrong"),
    [
        (verdict("proved", ({"splice": "N2"}, True)), True, True, False),
        (verdict("unproved", ({"splice": "N2"}, False)), True, False, False),
        (verdict("proved", ({"device": "D2"}, True)), False, False, True),
        (verdict("proved", ({"splice": "N2"}, True), ({"device": "D2"}, True)), True, True, True),
        (verdict("proved", ({"unmapped": "N2"}, True)), False, False, True),
        (verdict("controller"), False, False, True),
        (verdict("not-present"), False, False, True),
        (verdict("unproved"), False, False, False),
    ],
)
def test_the_judge(ending: Document, located: bool, proved: bool, wrong: bool) -> None:
    truth = {"splice": "N2"}
    assert is_located(ending, truth) is located
    assert is_proved(ending, truth) is proved
    assert is_wrongly_proved(ending, truth) is wrong


def test_the_judge_takes_a_segment_without_its_fraction() -> None:
    ending = verdict("proved", ({"segment": "S3"}, True))
    assert is_located(ending, short({"segment": "S3", "fraction": 0.4}, 1.0)["at"])
    assert not is_wrongly_proved(ending, {"segment": "S3", "fraction": 0.4})
