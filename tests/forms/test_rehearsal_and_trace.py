"""The forms of rehearsals and traces, and that truth never reaches a trace."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from faults.forms.rehearsal import read_rehearsal, rehearsal_document
from faults.forms.trace import read_trace, trace_document
from faults.tracing.problem import (
    Costs,
    History,
    Meter,
    PlaceHistory,
    PlacePrior,
    SoundRecord,
    TraceProblem,
)
from sites.forms.defects import FormDefects
from sites.forms.load import load_document
from sites.forms.survey import read_survey
from sites.network.faults import Fault, Place
from tests.forms.documents import GONE, REHEARSAL, SURVEY, TRACE, Document, bent, surveys

EARTHED = bent(REHEARSAL, "/survey/path/earth_reference_ohm", 25.0)


def defects_of(read: Callable[[Document], object], document: Any) -> dict[str, str]:
    with pytest.raises(FormDefects) as caught:
        read(document)
    found = {defect.pointer: f"{defect.what} -> {defect.right}" for defect in caught.value.defects}
    assert len(found) == len(caught.value.defects)
    return found


def test_the_example_of_a_rehearsal_is_read_field_by_field() -> None:
    rehearsal = read_rehearsal(REHEARSAL)

    assert rehearsal.survey == read_survey(SURVEY)
    assert rehearsal.actual is None
    assert rehearsal.ground == rehearsal.survey
    assert rehearsal.coil_ohm == 40 + 100j
    assert not rehearsal.coil_known
    assert rehearsal.faults == (Fault("short", Place("device", "D1"), 3.0),)
    assert rehearsal.meter == Meter(1.0, 2.0, 1.0)
    assert rehearsal.seed == 7
    assert rehearsal.costs == Costs()


def test_the_example_of_a_trace_is_read_field_by_field() -> None:
    problem = read_trace(TRACE)

    assert problem.path == read_survey(SURVEY)
    assert problem.coil_ohm is None
    assert problem.meter == Meter(percent=2.0)
    costs = Costs(isolate_device_min=10.0, isolate_splice_min=10.0, isolate_segment_min=10.0)
    assert problem.costs == costs
    assert problem.priors == (PlacePrior(Place("splice", "N1"), 3.0),)
    record = SoundRecord("S1", 140.0, True, 25.1, 5.0, False, "2024-04-02", "M1")
    assert problem.sound_record == (record,)


def test_a_trace_and_a_survey_alone_start_with_the_defaults() -> None:
    bare = {"format": "clampline-trace/1", "survey": SURVEY, "meter": {}, "costs": {}}
    assert read_trace(bare) == read_trace(SURVEY) == TraceProblem(read_survey(SURVEY))


def test_minutes_to_isolate_are_a_number_or_by_kind() -> None:
    by_kind = read_trace(bent(TRACE, "/costs/isolate_min", {"splice": 20}))
    assert by_kind.costs == Costs(isolate_splice_min=20.0)


def test_what_is_not_known_is_null() -> None:
    unknown = dict.fromkeys(("current_ma", "coil", "far_v", "insulation_mohm", "wet", "date"))
    row = {"leg": "S1", "meter": None, **unknown}
    assert read_trace(bent(TRACE, "/sound_record/0", row)).sound_record == (SoundRecord("S1"),)
    coil = bent(TRACE, "/series_coil_ohm", [40, 100])
    assert read_trace(coil).coil_ohm == 40 + 100j


def test_a_trace_says_on_which_day_it_is_for_the_age_of_its_records() -> None:
    dated = read_trace(bent(TRACE, "/dated", "2026-03-02"))
    assert dated.dated == "2026-03-02"
    assert read_trace(trace_document(dated)) == dated
    assert read_trace(TRACE).dated is None


PLACES = [
    ({"device": "D2"}, Place("device", "D2")),
    ({"splice": "N1"}, Place("splice", "N1")),
    ({"segment": "S2", "fraction": 0.25}, Place("segment", "S2")),
    ({"controller": True}, Place("controller")),
    ({"none": True}, Place("none")),
    ({"unmapped": "N1"}, Place("unmapped", "N1")),
    ({"overload": True}, Place("overload")),
    ({"other": True}, Place("other")),
]


@pytest.mark.parametrize(("at", "place"), PLACES)
def test_every_kind_of_place_is_read_and_written(at: Document, place: Place) -> None:
    rehearsal = read_rehearsal(bent(REHEARSAL, "/faults/0/at", at))
    assert rehearsal.faults[0].at == place
    assert rehearsal.faults[0].fraction == at.get("fraction", 0.5)
    assert rehearsal_document(rehearsal)["faults"][0]["at"] == at
    problem = read_trace(bent(TRACE, "/priors/0/at", at))
    assert problem.priors[0].at == place


@pytest.mark.parametrize(
    ("at", "pointer", "words"),
    [
        ({}, "", "none of device, splice"),
        ({"device": "D1", "splice": "N1"}, "", "device and splice stand together"),
        ({"controller": False}, "/controller", "true"),
        ({"box": "N1"}, "/box", "not known"),
        ({"device": "N1"}, "/device", "not a device"),
        ({"splice": "S1"}, "/splice", "not a node"),
        ({"segment": "D1", "fraction": 0.5}, "/segment", "not a segment"),
        ({"unmapped": "D1"}, "/unmapped", "not a node"),
        ({"segment": "S1", "fraction": 0}, "/fraction", "below 1"),
        ({"segment": "S1", "fraction": 1}, "/fraction", "above 0"),
        ({"segment": "S1"}, "/fraction", "fraction is missing"),
        ({"device": "D1", "fraction": 0.5}, "/fraction", "needs segment"),
    ],
)
def test_a_fault_lies_at_one_place_of_the_ground(at: Document, pointer: str, words: str) -> None:
    found = defects_of(read_rehearsal, bent(REHEARSAL, "/faults/0/at", at))
    assert words in found["/faults/0/at" + pointer]


@pytest.mark.parametrize(
    ("fault", "pointer", "words"),
    [
        ({"kind": "arc"}, "/kind", "short"),
        ({"kind": "short"}, "/resistance_ohm", "missing"),
        ({"kind": "short", "resistance_ohm": -1}, "/resistance_ohm", "0 to"),
        ({"kind": "short", "resistance_ohm": 1, "conductor": "a"}, "/conductor", "both"),
        ({"kind": "open"}, "/conductor", "missing"),
        ({"kind": "open", "conductor": "a", "resistance_ohm": 5}, "/resistance_ohm", "leave"),
        ({"kind": "open", "conductor": "c"}, "/conductor", "one of"),
        ({"kind": "earth", "conductor": "a"}, "/resistance_ohm", "missing"),
        ({"kind": "earth", "resistance_ohm": 5}, "/conductor", "missing"),
        ({"kind": "short", "resistance_ohm": 1, "show_chance": 1.5}, "/show_chance", "0 to 1"),
    ],
)
def test_each_kind_of_fault_has_its_own_members(fault: Document, pointer: str, words: str) -> None:
    whole = {"at": {"device": "D1"}, **fault}
    found = defects_of(read_rehearsal, bent(EARTHED, "/faults/0", whole))
    assert words in found["/faults/0" + pointer]


def test_a_fault_to_earth_needs_a_path_that_is_earthed() -> None:
    fault = {"kind": "earth", "at": {"splice": "N1"}, "resistance_ohm": 50, "conductor": "a"}
    assert read_rehearsal(bent(EARTHED, "/faults/0", fault)).faults[0].conductor == "a"
    floating = bent(REHEARSAL, "/faults/0", fault)
    assert "draws nothing" in defects_of(read_rehearsal, floating)["/faults/0/kind"]
    # What counts is the ground, not the map.
    ground = bent(floating, "/actual", EARTHED["survey"])
    assert read_rehearsal(ground).ground.earth_reference_ohm == 25.0
    floating_ground = bent(bent(EARTHED, "/faults/0", fault), "/actual", SURVEY)
    assert "/faults/0/kind" in defects_of(read_rehearsal, floating_ground)


def test_faults_lie_on_the_ground_and_priors_on_the_map() -> None:
    device = {"id": "D9", "node": "N1", "kind": "other", "draw_ma": 0}
    ground = bent(REHEARSAL, "/actual", bent(SURVEY, "/devices/-", device))
    hidden = bent(ground, "/faults/0/at", {"device": "D9"})
    assert read_rehearsal(hidden).faults[0].at == Place("device", "D9")
    assert "/faults/0/at/device" in defects_of(
        read_rehearsal, bent(REHEARSAL, "/faults/0/at", {"device": "D9"})
    )
    prior = bent(hidden, "/priors", [{"at": {"device": "D9"}, "weight": 2}])
    assert "/priors/0/at/device" in defects_of(read_rehearsal, prior)


def test_an_id_in_map_and_ground_is_the_same_kind_of_thing() -> None:
    swapped = bent(SURVEY, "/devices/1/id", "S9")
    mapped = bent(SURVEY, "/segments/1/id", "S9")
    both = {**REHEARSAL, "survey": mapped, "actual": swapped}
    assert "a segment in the survey" in defects_of(read_rehearsal, both)["/actual/devices/1/id"]


@pytest.mark.parametrize(
    ("pointer", "value", "words"),
    [
        ("/series_coil_ohm", GONE, "missing"),
        ("/series_coil_ohm", None, "not a list"),
        ("/series_coil_ohm/0", 0, "above 0"),
        ("/coil_known", 1, "true"),
        ("/faults", GONE, "missing"),
        ("/meter/seed", 1.5, "whole number"),
        ("/meter/percent", 100, "below 100"),
        ("/meter/resolution_ma", 0, "above 0"),
        ("/costs/walk_m_per_s", 0, "above 0"),
        ("/costs/box_min", math.nan, "finite"),
        ("/costs/isolate_min", "long", "number of minutes"),
        ("/costs/isolate_min", -1, "number of minutes"),
        ("/costs/isolate_min/device", -1, "minutes"),
        ("/costs/isolate_min/controller", 1, "not known"),
        ("/seed", 7, "not known"),
        ("/survey/nodes/1/id", "N0", "taken already at /nodes/0/id"),
    ],
)
def test_a_defect_of_a_rehearsal_is_named(pointer: str, value: object, words: str) -> None:
    found = defects_of(read_rehearsal, bent(REHEARSAL, pointer, value))
    assert words in found[pointer]


@pytest.mark.parametrize(
    ("pointer", "value", "words"),
    [
        ("/format", "clampline/1", "clampline-trace/1"),
        ("/format", GONE, "format is missing"),
        ("/meter/seed", 7, "not known"),
        ("/faults", [], "not known"),
        ("/coil_known", True, "not known"),
        ("/priors/0/weight", 0, "above 0"),
        ("/sound_record/0/leg", "S2", "not a leg"),
        ("/sound_record/0/date", "April", "YYYY"),
        ("/sound_record/0/date", "2024-02-30", "no calendar"),
        ("/dated", "2025-02-29", "no calendar"),
        ("/dated", "2025-02", "YYYY-MM-DD"),
        ("/survey/segments/1/to", "N7", "nothing in this survey"),
    ],
)
def test_a_defect_of_a_trace_is_named(pointer: str, value: object, words: str) -> None:
    assert words in defects_of(read_trace, bent(TRACE, pointer, value))[pointer]


def test_a_place_has_one_weight() -> None:
    twice = bent(TRACE, "/priors/-", {"at": {"splice": "N1"}, "weight": 2})
    assert "already at /priors/0/at" in defects_of(read_trace, twice)["/priors/1/at"]


def test_all_defects_of_a_rehearsal_come_at_once() -> None:
    document = bent(REHEARSAL, "/actual", bent(SURVEY, "/segments/1/to", "N1"))
    for pointer, value in (
        ("/survey/devices/0/draw_ma", "much"),
        ("/survey/path/topology", "meshed"),
        ("/faults/0/at", {"device": "D7"}),
        ("/meter/gain", 1.0),
    ):
        document = bent(document, pointer, value)
    assert list(defects_of(read_rehearsal, document)) == [
        "/actual/nodes/2",
        "/actual/path/topology",
        "/actual/segments/1/to",
        "/faults/0/at/device",
        "/meter/gain",
        "/survey/devices/0/draw_ma",
        "/survey/path/topology",
    ]


@pytest.mark.parametrize("document", [[], None, 3, {}, {"survey": [], "faults": {"at": 3}}])
@pytest.mark.parametrize("read", [read_rehearsal, read_trace])
def test_what_is_no_form_at_all_is_refused_without_a_crash(
    read: Callable[[Any], object], document: object
) -> None:
    with pytest.raises(FormDefects):
        read(document)


def _faults_on(survey: Document) -> st.SearchStrategy[Document]:
    floating = survey["path"]["earth_reference_ohm"] is None
    spots = [{"splice": row["id"]} for row in survey["nodes"]]
    spots += [{"unmapped": row["id"]} for row in survey["nodes"]]
    spots += [{"device": row["id"]} for row in survey["devices"]]
    spots += [{"segment": row["id"], "fraction": 0.3} for row in survey["segments"]]
    at, ohm = st.sampled_from(spots), st.floats(0.0, 100.0)
    conductor, chance = st.sampled_from(["a", "b"]), {"show_chance": st.floats(0.0, 0.9)}
    short = {"kind": st.just("short"), "at": at, "resistance_ohm": ohm}
    opened = {"kind": st.just("open"), "at": at, "conductor": conductor}
    earth = {"kind": st.just("earth"), "at": at, "resistance_ohm": ohm, "conductor": conductor}
    nowhere = [{"controller": True}, {"none": True}, {"overload": True}, {"other": True}]
    elsewhere = {"kind": st.just("short"), "at": st.sampled_from(nowhere)}
    kinds = [short, opened, elsewhere] + ([] if floating else [earth])
    return st.one_of(*(st.fixed_dictionaries(kind, optional=chance) for kind in kinds))


@st.composite
def rehearsals(draw: st.DrawFn) -> Document:
    """Whole rehearsals in the form that is written."""
    survey = draw(surveys(prefix="m"))
    ground = draw(st.none() | surveys(prefix="g"))
    document = {
        **REHEARSAL,
        "survey": survey,
        "series_coil_ohm": [draw(st.floats(1.0, 200.0)), draw(st.floats(0.0, 300.0))],
        "coil_known": draw(st.booleans()),
        "faults": draw(st.lists(_faults_on(ground or survey), max_size=3)),
    }
    if ground is not None:
        document["actual"] = ground
    return document


@pytest.mark.slow
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(document=rehearsals())
def test_a_rehearsal_comes_back_as_it_went_in(document: Document) -> None:
    rehearsal = read_rehearsal(load_document(json.dumps(document)))
    assert rehearsal_document(rehearsal) == document


def test_a_trace_comes_back_as_it_went_in() -> None:
    for problem in (read_trace(TRACE), read_trace(SURVEY), read_trace(REHEARSAL)):
        assert read_trace(load_document(json.dumps(trace_document(problem)))) == problem


ALTERED_TRUTHS = [
    ("/faults", []),
    ("/faults/0/at", {"segment": "S2", "fraction": 0.9}),
    ("/faults/0/at", {"controller": True}),
    ("/faults/0/resistance_ohm", 19.0),
    ("/faults/0/show_chance", 0.2),
    ("/series_coil_ohm", [60.0, 150.0]),
    ("/meter/seed", 8),
    ("/survey/path/trip_spread", 0.2),
    ("/actual", bent(SURVEY, "/devices/0/draw_ma", 900.0)),
    ("/actual", bent(SURVEY, "/devices/-", {**SURVEY["devices"][0], "id": "D9"})),
    ("/actual", bent(SURVEY, "/path/trip_ma", 800.0)),
]


@pytest.mark.parametrize(("pointer", "value"), ALTERED_TRUTHS)
def test_altered_truth_gives_an_equal_trace(pointer: str, value: object) -> None:
    altered = bent(REHEARSAL, pointer, value)
    assert read_rehearsal(altered) != read_rehearsal(REHEARSAL)
    assert read_trace(altered) == read_trace(REHEARSAL)


def test_a_rehearsal_keeps_what_whoever_traces_may_know() -> None:
    problem = read_trace(bent(REHEARSAL, "/costs/box_min", 7.0))
    assert problem.costs.box_min == 7.0
    assert problem.coil_ohm is None
    assert read_trace(bent(REHEARSAL, "/coil_known", True)).coil_ohm == 40 + 100j
    assert read_trace(bent(REHEARSAL, "/coil_known", False)).coil_ohm is None
    record = bent(REHEARSAL, "/sound_record", TRACE["sound_record"])
    assert read_trace(record).sound_record == read_trace(TRACE).sound_record


def test_a_trace_keeps_the_spread_of_the_trip_that_its_survey_states() -> None:
    assert read_trace(bent(TRACE, "/survey/path/trip_spread", 0.1)).path.trip_spread == 0.1


def test_what_the_history_said_is_read_and_written_again() -> None:
    rows = [
        {"at": {"splice": "N1"}, "factor": 2.5, "failures": 3, "years": 2.0},
        {"at": {"segment": "S2"}, "factor": 4, "failures": 0, "years": 2, "stretch_failures": 5},
    ]
    told = {"run": "rrun_1", "as_of": "2026-03-01T00:00:00+00:00", "places": rows}
    problem = read_trace(bent(TRACE, "/history", told))
    assert problem.history == History(
        "rrun_1",
        "2026-03-01T00:00:00+00:00",
        (
            PlaceHistory(Place("splice", "N1"), 2.5, 3, 2.0),
            PlaceHistory(Place("segment", "S2"), 4.0, 0, 2.0, 5),
        ),
    )
    assert read_trace(trace_document(problem)) == problem
    assert read_trace(bent(TRACE, "/history", None)).history is None
    heavy = bent(TRACE, "/history", told | {"places": [rows[0] | {"factor": 8.1}]})
    assert "0.25 to 8" in defects_of(read_trace, heavy)["/history/places/0/factor"]
    twice = bent(TRACE, "/history", told | {"places": [rows[0], rows[0]]})
    assert (
        "already at /history/places/0/at" in defects_of(read_trace, twice)["/history/places/1/at"]
    )
    strange = bent(TRACE, "/history", told | {"places": [rows[0] | {"at": {"device": "D9"}}]})
    assert "/history/places/0/at/device" in defects_of(read_trace, strange)
