"""Observations in, steps and verdicts out."""

from __future__ import annotations

import json
import math
from typing import Any, get_args

import pytest

from faults.forms.observation import observation_document, read_observation
from faults.forms.schema_files import form_defects
from faults.forms.step import step_document, verdict_document
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
from faults.tracing.step import (
    STEP_NEEDS,
    AsLeft,
    Expectation,
    Found,
    Step,
    StepDo,
    Suspect,
    Verdict,
)
from sites.forms.defects import FormDefects
from sites.network.faults import Place

D3 = Place("device", "D3")

# One of each row of the table, as it is written there.
WRITTEN: list[tuple[str, Observation]] = [
    ('{"do": "power", "on": false}', Power(on=False)),
    (
        '{"do": "open_joints", "done": [{"segment": "S28", "end": "to"}]}',
        OpenJoints(done=(("S28", "to"),)),
    ),
    (
        '{"do": "close_joints", "done": [{"segment": "S28", "end": "from"}]}',
        CloseJoints(done=(("S28", "from"),)),
    ),
    (
        '{"do": "message", "legs_on": ["S1"], "shown": true}',
        Message(legs_on=("S1",), shown=True),
    ),
    ('{"do": "message", "legs_on": [], "shown": false}', Message(legs_on=(), shown=False)),
    ('{"do": "message", "shown": false}', Message(shown=False)),
    ('{"do": "fit_coil", "fitted": true}', FitCoil(fitted=True)),
    (
        '{"do": "reference", "current_ma": 147.0, "at_min": 32.5}',
        Reference(current_ma=147.0, at_min=32.5),
    ),
    (
        '{"do": "clamp", "node": "N4", "wire": "S5", "conductor": "a", "current_ma": 146.0}',
        Clamp(node="N4", wire="S5", conductor="a", current_ma=146.0),
    ),
    (
        """{"do": "clamp", "node": "N4", "wire": null, "seen_as": "red pair", "current_ma": 0,
            "cables_seen": 3, "legs_on": ["S1"]}""",
        Clamp(
            node="N4",
            wire=None,
            seen_as="red pair",
            current_ma=0.0,
            cables_seen=3,
            legs_on=("S1",),
        ),
    ),
    (
        """{"do": "clamp_set", "node": "N4", "readings": [{"tag": "1", "current_ma": 146},
            {"tag": "2", "current_ma": 3}], "cables_seen": 3}""",
        ClampSet(
            node="N4",
            readings=(
                TagReading(tag="1", current_ma=146.0),
                TagReading(tag="2", current_ma=3.0),
            ),
            cables_seen=3,
        ),
    ),
    (
        '{"do": "path_off", "node": "N4", "wire": "S5", "current_ma": 0}',
        PathOff(node="N4", wire="S5", current_ma=0.0),
    ),
    ('{"do": "isolate", "at": {"device": "D3"}}', Isolate(at=D3)),
    ('{"do": "isolate", "at": {"unmapped": "N3"}}', Isolate(at=Place("unmapped", "N3"))),
    ('{"do": "restore", "at": {"device": "D3"}}', Restore(at=D3)),
    (
        '{"do": "alone", "at": {"device": "D3"}, "current_ma": 250.0}',
        Alone(at=D3, current_ma=250.0),
    ),
    ('{"do": "run_station", "station": 7, "shown": true}', RunStation(station=7, shown=True)),
    (
        '{"do": "cannot", "node": "N7", "why": "flooded"}',
        Cannot(node="N7", why="flooded"),
    ),
    ('{"do": "strike", "step": 5, "why": "wrong wire"}', Strike(step=5, why="wrong wire")),
]


@pytest.mark.parametrize(("text", "observation"), WRITTEN)
def test_each_observation_is_read_and_written(text: str, observation: Observation) -> None:
    assert read_observation(json.loads(text)) == observation
    assert observation_document(observation) == json.loads(text)


def test_every_kind_of_observation_is_in_the_table_above() -> None:
    assert {type(observation) for _, observation in WRITTEN} == set(get_args(Observation))


@pytest.mark.parametrize(("text", "observation"), WRITTEN)
def test_every_observation_may_say_when(text: str, observation: Observation) -> None:
    assert read_observation({**json.loads(text), "at_min": 12}).at_min == 12.0
    with pytest.raises(FormDefects):
        read_observation({**json.loads(text), "at_min": -1})


@pytest.mark.parametrize(("text", "observation"), WRITTEN)
def test_an_unknown_field_and_a_missing_one_are_named(text: str, observation: Observation) -> None:
    document = json.loads(text)
    with pytest.raises(FormDefects) as caught:
        read_observation({**document, "colour": "red"})
    assert [defect.pointer for defect in caught.value.defects] == ["/colour"]
    may_miss = {"do", "legs_on", "at_min", "conductor", "seen_as", "cables_seen", "why"}
    for name in set(document) - may_miss:
        with pytest.raises(FormDefects) as caught:
            read_observation({key: value for key, value in document.items() if key != name})
        assert [defect.pointer for defect in caught.value.defects] == [f"/{name}"]


@pytest.mark.parametrize(
    ("document", "pointer", "words"),
    [
        ({"do": "sniff"}, "/do", "one of"),
        ({}, "/do", "missing"),
        ({"do": 3}, "/do", "one of"),
        ({"do": "reference", "current_ma": "147"}, "/current_ma", "not a number"),
        ({"do": "reference", "current_ma": -1}, "/current_ma", "too small"),
        ({"do": "reference", "current_ma": math.nan}, "/current_ma", "finite"),
        ({"do": "reference", "current_ma": math.inf}, "/current_ma", "finite"),
        ({"do": "reference", "current_ma": True}, "/current_ma", "not a number"),
        ({"do": "reference", "current_ma": None}, "/current_ma", "not a number"),
        ({"do": "power", "on": "no"}, "/on", "true or false"),
        ({"do": "power", "on": 0}, "/on", "true or false"),
        ({"do": "open_joints", "done": []}, "/done", "list of joints"),
        ({"do": "open_joints", "done": [{"segment": "S1", "end": "far"}]}, "/done/0/end", "from"),
        ({"do": "message", "shown": True, "legs_on": "S1"}, "/legs_on", "not a list"),
        ({"do": "message", "shown": True, "legs_on": ["S1", "S1"]}, "/legs_on/1", "once"),
        ({"do": "isolate", "at": {"controller": True}}, "/at/controller", "not known"),
        ({"do": "isolate", "at": {}}, "/at", "none of device"),
        ({"do": "isolate", "at": "D3"}, "/at", "not an object"),
        ({"do": "alone", "at": {"splice": "N3"}, "current_ma": 1}, "/at/device", "missing"),
        ({"do": "run_station", "station": 7.5, "shown": True}, "/station", "whole number"),
        ({"do": "strike", "step": 0}, "/step", "1 or more"),
        (
            {"do": "clamp", "node": "N1", "wire": "S1", "seen_as": "red", "current_ma": 1},
            "/seen_as",
            "on the map",
        ),
        (
            {"do": "clamp", "node": "N1", "wire": "S1", "conductor": "c", "current_ma": 1},
            "/conductor",
            "both",
        ),
        (
            {
                "do": "clamp_set",
                "node": "N1",
                "readings": [{"tag": "1", "current_ma": 1}, {"tag": "1", "current_ma": 2}],
            },
            "/readings/1/tag",
            "more than once",
        ),
    ],
)
def test_what_cannot_be_read_says_where_and_why(document: Any, pointer: str, words: str) -> None:
    with pytest.raises(FormDefects) as caught:
        read_observation(document)
    found = {defect.pointer: f"{defect.what} -> {defect.right}" for defect in caught.value.defects}
    assert words in found[pointer]


@pytest.mark.parametrize("document", [None, [], "reference", 3])
def test_what_is_no_observation_at_all_is_refused_without_a_crash(document: Any) -> None:
    with pytest.raises(FormDefects):
        read_observation(document)


WHERE: dict[StepDo, dict[str, Any]] = {
    "power": {"on": False},
    "open_joints": {"joints": (("S28", "to"),)},
    "close_joints": {"joints": (("S28", "to"),)},
    "message": {"legs_on": ()},
    "fit_coil": {"fitted": True},
    "reference": {},
    "clamp": {"node": "N4", "wire": "S5", "legs_on": ("S1",)},
    "clamp_set": {"node": "N4"},
    "path_off": {"node": "N4", "wire": "S5"},
    "isolate": {"at": D3},
    "restore": {"at": D3},
    "alone": {"at": D3},
    "run_station": {"station": 7},
}


def step_that_asks(do: StepDo, **where: Any) -> Step:
    return Step(
        number=5,
        stage="following",
        do=do,
        step_minutes=6.204,
        remaining_p50_min=31.0,
        remaining_p90_min=52.0,
        expect=(
            Expectation(at=D3, low_ma=141.0, high_ma=152.0),
            Expectation(at=Place("none"), shown_chance=0.25),
        ),
        why="it parts the suspects best",
        cautions=("Water in the box.",),
        suspects=(Suspect(at=D3, kind="short", chance=0.61),),
        as_left=AsLeft(
            coil=True,
            joints_open=(("S28", "to"),),
            isolated=(Place("splice", "N4"),),
            tags=(("N4", "1"),),
        ),
        **where,
    )


@pytest.mark.parametrize("do", list(STEP_NEEDS))
def test_every_step_fits_its_schema(do: StepDo) -> None:
    document = step_document(step_that_asks(do, **WHERE[do]))
    assert form_defects(document, "step") == []
    assert json.loads(json.dumps(document)) == document
    assert form_defects({**document, "colour": "red"}, "step") != []
    # A clamp's wire may be null, for one that is not on the map, and is there all the same.
    for name in {*STEP_NEEDS[do], *(("wire",) if do == "clamp" else ())}:
        short = {key: value for key, value in document.items() if key != name}
        assert [defect.pointer for defect in form_defects(short, "step")] == [f"/{name}"]


def test_a_step_is_written_as_the_form_says() -> None:
    assert step_document(step_that_asks("clamp", node="N4", wire="S5")) == {
        "step": 5,
        "stage": "following",
        "do": "clamp",
        "node": "N4",
        "wire": "S5",
        "step_minutes": 6.2,
        "remaining_minutes": {"p50": 31.0, "p90": 52.0},
        "expect": [
            {"if": {"device": "D3"}, "current_ma": [141.0, 152.0]},
            {"if": {"none": True}, "shown_chance": 0.25},
        ],
        "why": "it parts the suspects best",
        "cautions": ["Water in the box."],
        "suspects": [{"at": {"device": "D3"}, "kind": "short", "chance": 0.61}],
        "as_left": {
            "power": True,
            "coil": True,
            "legs_off": [],
            "joints_open": [{"segment": "S28", "end": "to"}],
            "isolated": [{"splice": "N4"}],
            "lids_up": [],
            "tags": [{"node": "N4", "tag": "1"}],
        },
    }


def test_a_step_to_clamp_what_is_not_on_the_map_has_a_wire_of_null() -> None:
    document = step_document(step_that_asks("clamp", node="N4"))
    assert document["wire"] is None
    assert form_defects(document, "step") == []


def test_a_step_has_what_its_do_needs_and_no_more() -> None:
    with pytest.raises(ValueError, match="needs wire"):
        step_that_asks("path_off", node="N4")
    with pytest.raises(ValueError, match="takes no fitted"):
        step_that_asks("power", on=True, fitted=True)


def verdict_with(chance: float, search_minutes: float | None) -> Verdict:
    return Verdict(
        outcome="proved",
        found=(Found(at=Place("device", "D1"), kind="short", chance=chance, proved=True),),
        observations=11,
        search_minutes=search_minutes,
        minutes=48.5,
        as_left=AsLeft(),
        reason="isolated, and the path was sound; restored, and the fault was back",
    )


def test_a_verdict_is_written_as_the_form_says() -> None:
    document = verdict_document(verdict_with(0.9995, 17.2))
    assert form_defects(document, "verdict") == []
    assert document["stage"] == "done"
    assert document["found"] == [
        {"at": {"device": "D1"}, "kind": "short", "chance": 0.9995, "proved": True}
    ]
    assert (document["search_minutes"], document["minutes"]) == (17.2, 48.5)
    unknown = verdict_document(verdict_with(0.9995, None))
    assert unknown["search_minutes"] is None
    assert form_defects(unknown, "verdict") == []


def test_rounding_never_makes_a_chance_certain() -> None:
    chance = verdict_document(verdict_with(1.0 - 1e-9, 1.0))["found"][0]["chance"]
    assert 0.999999 < chance < 1.0


def test_what_is_not_finite_is_not_written() -> None:
    with pytest.raises(ValueError, match="inf"):
        verdict_document(verdict_with(0.5, math.inf))
    with pytest.raises(ValueError, match="not a chance"):
        verdict_document(verdict_with(math.nan, 1.0))
