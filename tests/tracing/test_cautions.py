"""Each step that can hurt has its caution, and no step has those of another."""

from __future__ import annotations

from itertools import product

import pytest

from faults.tracing.cautions import cautions_for
from faults.tracing.rig import Rig
from faults.tracing.step import STEP_NEEDS
from sites.network.faults import Place

ON_COIL = Rig(power=True, coil=True)
ON_BARE = Rig(power=True, coil=False)
OFF_COIL = Rig(power=False, coil=True)
OFF_BARE = Rig(power=False, coil=False)

# do, access, rig before the step, what has to be said (words, small letters)
MUST_SAY = [
    ("power", "cabinet", ON_COIL, ["proved dead", "mains", "licensed", "local codes"]),
    ("power", "cabinet", OFF_COIL, ["hands out", "coil gets hot", "cannot burn"]),
    ("power", "cabinet", OFF_BARE, ["hands out", "few seconds", "so far", "coil goes in before"]),
    ("open_joints", "box", OFF_BARE, ["opened and capped before tracing", "far side", "snakes"]),
    ("close_joints", "box", OFF_BARE, ["volts across each pair", "snakes", "water"]),
    ("message", "cabinet", ON_BARE, ["few seconds", "so far", "thunder", "before a leg is moved"]),
    ("message", "cabinet", ON_BARE, ["mains", "licensed", "local codes"]),
    ("run_station", "cabinet", ON_BARE, ["few seconds", "so far", "station may start to water"]),
    ("fit_coil", "cabinet", OFF_BARE, ["proved dead", "mains", "cannot burn", "before a faulted"]),
    ("fit_coil", "cabinet", OFF_COIL, ["proved dead", "mains", "may still be hot"]),
    ("reference", "cabinet", ON_COIL, ["wire is live", "coil gets hot", "before a leg is moved"]),
    ("reference", "cabinet", ON_COIL, ["mains", "licensed", "local codes"]),
    ("clamp", "box", ON_COIL, ["wire is live", "snakes", "insects", "water", "traffic", "two pe"]),
    ("clamp", "buried", ON_COIL, ["utilities marked", "local rules", "traffic", "open hole"]),
    ("clamp", "cabinet", ON_COIL, ["wire is live", "mains", "licensed"]),
    ("clamp_set", "box", ON_COIL, ["wire is live", "snakes", "water", "traffic"]),
    ("path_off", "box", ON_COIL, ["wire is live", "water"]),
    ("isolate", "box", ON_COIL, ["live through the coil", "one conductor", "capped", "far side"]),
    ("isolate", "box", ON_COIL, ["power off first", "snakes", "water"]),
    ("isolate", "buried", OFF_COIL, ["far side", "utilities marked", "local codes"]),
    (
        "restore",
        "box",
        ON_COIL,
        ["live through the coil", "power off first", "volts across each pair"],
    ),
    ("restore", "box", OFF_COIL, ["volts across each pair", "nothing that is live"]),
    ("alone", "cabinet", OFF_COIL, ["proved dead", "mains", "cannot burn", "local codes"]),
]


@pytest.mark.parametrize(("do", "access", "rig", "words"), MUST_SAY)
def test_a_step_that_can_hurt_has_its_caution(
    do: str, access: str, rig: Rig, words: list[str]
) -> None:
    said = " ".join(cautions_for(do=do, access=access, rig=rig)).lower()  # type: ignore[arg-type]
    for word in words:
        assert word in said


def test_every_step_the_engine_can_ask_for_is_in_the_table() -> None:
    assert {row[0] for row in MUST_SAY} == set(STEP_NEEDS)


MUST_NOT_SAY = [
    ("clamp", "box", ON_COIL, ["utilities", "mains", "cannot burn", "few seconds"]),
    ("clamp", "cabinet", ON_COIL, ["snakes", "utilities", "traffic"]),
    ("isolate", "box", OFF_COIL, ["live through the coil", "utilities"]),
    ("restore", "box", ON_COIL, ["nothing that is live"]),
    ("restore", "box", OFF_COIL, ["live through the coil", "power off first"]),
    ("power", "cabinet", OFF_COIL, ["few seconds", "far side"]),
    ("power", "cabinet", ON_BARE, ["gets hot"]),
    ("message", "cabinet", ON_BARE, ["snakes", "utilities", "gets hot"]),
]


@pytest.mark.parametrize(("do", "access", "rig", "words"), MUST_NOT_SAY)
def test_cautions_of_other_steps_are_left_out(
    do: str, access: str, rig: Rig, words: list[str]
) -> None:
    said = " ".join(cautions_for(do=do, access=access, rig=rig)).lower()  # type: ignore[arg-type]
    for word in words:
        assert word not in said


def test_looks_without_the_coil_are_counted() -> None:
    for count in (0, 1, 4):
        said = cautions_for(do="message", access="cabinet", rig=ON_BARE, looks_without_coil=count)
        expected = f"so far: {count}." if count else "No look without the coil so far."
        assert any(expected in sentence for sentence in said)


def test_ends_that_are_apart_can_be_live_once_the_power_goes_on() -> None:
    apart = Rig(power=False, coil=True, joints_open=frozenset({("S4", "to")}))
    lifted = Rig(power=False, coil=True, isolated=frozenset({Place("device", "D1")}))
    leg_off = Rig(power=False, coil=True, legs_off=frozenset({"S1"}))
    for rig in (apart, lifted, leg_off):
        assert any(
            "far side" in each for each in cautions_for(do="power", access="cabinet", rig=rig)
        )


def test_cutting_a_segment_asks_for_marks_even_from_a_box() -> None:
    said = cautions_for(do="isolate", access="box", rig=OFF_COIL, at=Place("segment", "S2"))
    assert any("utilities marked" in sentence for sentence in said)


def test_on_coming_back_what_stays_dangerous_is_still_said() -> None:
    first = cautions_for(do="clamp", access="box", rig=ON_COIL, first_visit=True)
    again = cautions_for(do="clamp", access="box", rig=ON_COIL, first_visit=False)
    assert set(again) < set(first)
    assert any("live" in sentence for sentence in again)
    assert any("Water" in sentence for sentence in again)
    hole = cautions_for(do="clamp", access="buried", rig=ON_COIL, first_visit=False)
    assert any("open hole" in sentence for sentence in hole)
    assert any("bail out water" in sentence for sentence in hole)
    cabinet = cautions_for(do="clamp", access="cabinet", rig=ON_COIL, first_visit=False)
    assert any("mains side" in sentence for sentence in cabinet)


def test_words_from_the_field_carry_no_cautions() -> None:
    for do in ("cannot", "strike"):
        assert cautions_for(do=do, access="box", rig=ON_COIL) == ()


def test_cautions_are_few_short_whole_sentences_said_once() -> None:
    rigs = (ON_COIL, ON_BARE, OFF_COIL, OFF_BARE)
    places = (None, Place("segment", "S2"))
    for do, access, rig, first, at in product(
        STEP_NEEDS, ("cabinet", "box", "buried"), rigs, (True, False), places
    ):
        said = cautions_for(do=do, access=access, rig=rig, first_visit=first, at=at)  # type: ignore[arg-type]
        assert 1 <= len(said) <= 8
        assert len(set(said)) == len(said)
        for sentence in said:
            assert sentence[0].isupper()
            assert sentence.endswith(".")
            assert len(sentence) <= 140
