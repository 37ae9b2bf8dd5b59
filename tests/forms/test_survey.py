"""The survey form: what is read, what is refused, and that nothing is lost on the way back."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from jsonschema.validators import extend

from sites.forms.defects import MOST_DEFECTS, Defect, FormDefects
from sites.forms.load import load_document
from sites.forms.quick import quick_check
from sites.forms.shape import shape_defects, validator
from sites.forms.survey import SCHEMAS, read_survey, survey_document
from sites.forms.survey_checks import survey_defects
from sites.forms.survey_warnings import survey_warnings
from sites.network.elements import Device, Node, PathLimits, Segment
from tests.forms.documents import GONE, SURVEY, Document, bent, surveys


def defects_of(document: Any) -> dict[str, str]:
    """The defects by pointer; a pointer with two defects would lose one, so it fails."""
    with pytest.raises(FormDefects) as caught:
        read_survey(document)
    found = {defect.pointer: f"{defect.what} -> {defect.right}" for defect in caught.value.defects}
    assert len(found) == len(caught.value.defects)
    return found


def shape_of(document: object) -> list[Defect]:
    return shape_defects(document, validator(SCHEMAS / "survey.schema.json"))


def test_the_example_is_read_field_by_field() -> None:
    path = read_survey(SURVEY)

    assert path.label == "North path"
    assert path.topology == "tree"
    assert path.source_ohm == complex(0.4, 0.1)
    assert path.earth_reference_ohm is None
    assert path.nodes[1] == Node("N1", "device-splice", 30.0, 4.0, "box")
    assert path.segments[0] == Segment("S1", "N0", "N1", 33.5, "AWG 14")
    assert path.devices[0] == Device("D1", "N1", "decoder", 1.2)
    assert path.controller.id == "N0"


@pytest.mark.parametrize(("written", "end"), [(False, None), (True, "to"), ("from", "from")])
def test_an_open_joint_is_at_the_to_end_or_where_it_says(written: object, end: object) -> None:
    path = read_survey(bent(SURVEY, "/segments/1/joint_open", written))
    assert path.segments[1].joint_open == end


@pytest.mark.slow
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(survey=surveys())
def test_a_survey_comes_back_as_it_went_in(survey: Document) -> None:
    path = read_survey(load_document(json.dumps(survey)))
    assert survey_document(path) == survey
    assert read_survey(survey_document(path)) == path


def test_what_is_left_out_is_as_if_given_at_its_default() -> None:
    bare = bent(bent(SURVEY, "/path/conductor_temp_c", GONE), "/segments/0/joint_open", GONE)
    bare = bent(bare, "/path/earth_reference_ohm", GONE)
    full = bent(bent(SURVEY, "/devices/0/model", "resistor"), "/devices/0/stations", [])
    full = bent(bent(full, "/path/trip_spread", 0), "/path/limits", {})
    assert read_survey(bare) == read_survey(SURVEY) == read_survey(full)


@pytest.mark.parametrize(
    ("pointer", "value", "words"),
    [
        ("/format", "clampline-survey/2", "clampline-survey/1"),
        ("/format", GONE, "format is missing"),
        ("/path/label", "", "1 to 200"),
        ("/path/label", "North\npath", "one line"),
        ("/path/topology", "ring", "tree"),
        ("/path/source_v", 0, "above 0"),
        ("/path/source_v", "28", '"28" is not a number'),
        ("/path/source_v", True, "true is not a number"),
        ("/path/frequency_hz", math.nan, "not a finite number"),
        ("/path/trip_ma", math.inf, "not a finite number"),
        ("/path/source_ohm", [0.4], "1 entries"),
        ("/path/source_ohm/0", -0.1, "too small"),
        ("/path/earth_reference_ohm", 0, "floating"),
        ("/path/trip_spread", 1.0, "below 1"),
        ("/path/anchor/lat", 91, "latitude"),
        ("/path/colour", "red", "not known"),
        ("/nodes", {}, "an object is not a list"),
        ("/nodes/1/kind", "splice", "device-splice"),
        ("/nodes/1/access", "roof", "cabinet"),
        ("/nodes/1/x_m", None, "null is not a number"),
        ("/nodes/1/xm", 1.0, "perhaps x_m"),
        ("/nodes/1/splice", {"made": "May 2019"}, "YYYY-MM"),
        ("/nodes/1/id", "N" * 65, "65 characters"),
        ("/nodes/1/id", "N1\n", "printable"),
        ("/nodes/1/id", " N1", "printable"),
        ("/nodes/1/id", "N\u202e1", "unprintable"),
        ("/nodes/1/id", 1, "not text"),
        ("/segments/0/length_m", 0, "above 0"),
        ("/segments/0/conductor", "AWG 13", "AWG 14"),
        ("/segments/0/joint_open", "to", "from"),
        ("/segments/0/laid_year", 2001.5, "whole number"),
        ("/devices/0/draw_ma", -1, "0 to"),
        ("/devices/0/kind", "pump", "decoder"),
        ("/devices/0/power_factor", 1.2, "at most 1"),
        ("/devices/0/stations", ["7"], "station"),
        ("/devices/0", 7, "7 is not an object"),
    ],
)
def test_a_part_of_the_wrong_shape_is_named(pointer: str, value: object, words: str) -> None:
    found = defects_of(bent(SURVEY, pointer, value))
    here = {at: text for at, text in found.items() if at.startswith(pointer)}
    assert here, found
    assert words in " ".join(here.values())


@pytest.mark.parametrize(
    ("pointer", "value", "at", "words"),
    [
        ("/nodes/2/id", "N1", "/nodes/2/id", "taken already at /nodes/1/id"),
        ("/segments/0/id", "N1", "/segments/0/id", "taken already"),
        ("/devices/0/id", "S1", "/devices/0/id", "taken already at /segments/0/id"),
        ("/segments/1/to", "N9", "/segments/1/to", "nothing in this survey"),
        ("/segments/1/to", "D1", "/segments/1/to", "is a device, not a node"),
        ("/segments/1/to", "N1", "/segments/1/to", "to itself"),
        ("/devices/1/node", "S2", "/devices/1/node", "is a segment, not a node"),
        ("/nodes/0/kind", "branch-splice", "/nodes", "no controller"),
        ("/nodes/2/kind", "controller", "/nodes", "2 controllers: N0, N2"),
        ("/segments/1", GONE, "/nodes/2", "N2 is not connected"),
        ("/path/topology", "meshed", "/path/topology", "no loop"),
        ("/devices/0/model", "knee", "/devices/0/knee_v", "knee_v is missing"),
        ("/devices/0/knee_v", 20.0, "/devices/0/knee_v", "the model is resistor"),
        ("/segments/1/output", "A", "/segments/1/output", "not end at the controller"),
    ],
)
def test_parts_that_do_not_agree_are_named(
    pointer: str, value: object, at: str, words: str
) -> None:
    found = defects_of(bent(SURVEY, pointer, value))
    assert words in found[at]


# N0 --S1-- N1 --S2-- N2, and S3 from N2 back to N0
LOOPED = bent(
    SURVEY,
    "/segments/-",
    {"id": "S3", "from": "N2", "to": "N0", "length_m": 70.0, "conductor": "AWG 14"},
)


def test_a_loop_is_no_tree_until_a_joint_in_it_is_open() -> None:
    assert "close loops: S3" in defects_of(LOOPED)["/path/topology"]
    assert read_survey(bent(LOOPED, "/path/topology", "meshed")).topology == "meshed"
    opened = bent(LOOPED, "/segments/2/joint_open", "from")
    assert read_survey(opened).topology == "tree"
    assert "no loop" in defects_of(bent(opened, "/path/topology", "meshed"))["/path/topology"]
    assert read_survey(bent(LOOPED, "/path/topology", GONE)).topology is None


def test_parallel_segments_are_allowed_and_make_a_loop() -> None:
    twin = {"id": "S3", "from": "N1", "to": "N2", "length_m": 31.0, "conductor": "AWG 14"}
    twins = bent(SURVEY, "/segments/-", twin)
    assert "close loops: S3" in defects_of(twins)["/path/topology"]
    assert len(read_survey(bent(twins, "/path/topology", "meshed")).segments) == 3


def test_an_open_joint_does_not_part_a_path_but_is_warned_of() -> None:
    path = read_survey(bent(SURVEY, "/segments/1/joint_open", True))
    assert [warning.pointer for warning in survey_warnings(path)] == ["/nodes/2"]


def test_every_separate_part_is_named_once() -> None:
    island = SURVEY
    for one in ("N3", "N4", "N5"):
        node = {"id": one, "kind": "inline-splice", "x_m": 0, "y_m": 9, "access": "box"}
        island = bent(island, "/nodes/-", node)
    joined = {"id": "S9", "from": "N3", "to": "N5", "length_m": 5, "conductor": "AWG 14"}
    found = defects_of(bent(island, "/segments/-", joined))
    assert set(found) == {"/nodes/3", "/nodes/4"}
    assert "N3, N5 are not connected" in found["/nodes/3"]


def test_all_defects_come_at_once_in_the_order_of_their_pointers() -> None:
    document = LOOPED  # its topology is wrong already
    for pointer, value in (
        ("/nodes/1/x_m", "far"),
        ("/nodes/2/id", "N1"),
        ("/segments/0/length_m", -3),
        ("/segments/0/colour", "red"),
        ("/segments/1/to", "N2"),
        ("/devices/1/node", "N7"),
        ("/devices/0/draw_ma", GONE),
    ):
        document = bent(document, pointer, value)
    assert list(defects_of(document)) == [
        "/devices/0/draw_ma",
        "/devices/1/node",
        "/nodes/1/x_m",
        "/nodes/2/id",
        "/segments/0/colour",
        "/segments/0/length_m",
        "/segments/1/to",
        "/segments/2/from",
    ]


def test_a_loop_is_found_beside_a_part_of_the_wrong_shape() -> None:
    found = defects_of(bent(LOOPED, "/devices/0/draw_ma", "much"))
    assert set(found) == {"/devices/0/draw_ma", "/path/topology"}


@pytest.mark.parametrize("document", [[], None, 3, "x", {}, {"nodes": 3, "segments": [None]}])
def test_what_is_no_survey_at_all_is_refused_without_a_crash(document: object) -> None:
    with pytest.raises(FormDefects):
        read_survey(document)  # type: ignore[arg-type]


def test_words_never_hold_the_document() -> None:
    found = defects_of(bent(SURVEY, "/nodes/1/id", "x" * 100_000))
    assert all(len(text) < 300 for text in found.values())


def test_many_unknown_fields_are_counted_and_the_first_are_named() -> None:
    node = {**SURVEY["nodes"][1], **{f"extra{n}": n for n in range(150)}}
    found = defects_of(bent(SURVEY, "/nodes/1", node))
    assert len(found) == 101
    assert found["/nodes/1"].startswith("150 fields")


def test_an_empty_id_is_told_once() -> None:
    assert "1 to 64" in defects_of(bent(SURVEY, "/devices/0/id", ""))["/devices/0/id"]


def test_a_thousand_defects_are_all_told() -> None:
    twins = [SURVEY["devices"][0]] * (MOST_DEFECTS + 1)
    found = defects_of(bent(SURVEY, "/devices", twins))
    assert list(found) == [f"/devices/{place}/id" for place in range(1, MOST_DEFECTS + 1)]


def test_of_more_than_a_thousand_defects_the_first_are_told_and_that_there_are_more() -> None:
    """Looking for all of a small file's took half a minute."""
    devices = [SURVEY["devices"][0]] * (MOST_DEFECTS + 2)
    blanks: list[Document] = [{}] * 40_000
    for document in (
        bent(SURVEY, "/devices", devices),
        {**SURVEY, "nodes": blanks[:20_000], "segments": blanks, "devices": blanks},
    ):
        with pytest.raises(FormDefects) as refused:
            read_survey(document)
        *first, last = refused.value.defects
        assert len(first) == MOST_DEFECTS
        assert all(defect.pointer for defect in first)
        assert last.pointer == ""
        assert last.what == "there are more than 1,000 defects; the first 1,000 are told"


@pytest.mark.parametrize("find", [shape_of, survey_defects])
def test_nothing_is_looked_for_past_the_defects_that_are_told(
    find: Callable[[object], list[Defect]],
) -> None:
    rows = [{"id": "A", "from": "Q", "to": "Q", "node": "Q"}] * 2_000
    document = {**SURVEY, "nodes": rows, "segments": rows, "devices": rows}
    assert len(find(document)) == MOST_DEFECTS + 1


def _straight(count: int) -> Document:
    """A straight path of ``count`` nodes with a device at each but the controller."""
    node = {"kind": "inline-splice", "x_m": 0, "y_m": 0, "access": "box"}
    cable = {"length_m": 5, "conductor": "AWG 14"}
    nodes = [{"id": f"M{n}", **node} for n in range(count)]
    nodes[0]["kind"] = "controller"
    segments = [
        {"id": f"T{n}", "from": f"M{n - 1}", "to": f"M{n}", **cable} for n in range(1, count)
    ]
    device = {"kind": "decoder", "draw_ma": 1}
    devices = [{"id": f"E{n}", "node": f"M{n}", **device} for n in range(1, count)]
    return {**SURVEY, "nodes": nodes, "segments": segments, "devices": devices}


@pytest.mark.slow
def test_20_000_nodes_are_read_and_one_more_is_refused() -> None:
    assert len(read_survey(_straight(20_000)).nodes) == 20_000
    (only,) = defects_of(_straight(20_001)).items()
    assert only[0] == "/nodes"
    assert "20001" in only[1]


@pytest.mark.slow
@pytest.mark.parametrize("rows", ["nodes", "segments", "devices"])
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(survey=surveys(), data=st.data())
def test_the_quick_look_agrees_with_the_schema_library(
    rows: str, survey: Document, data: st.DataObject
) -> None:
    checker = validator(SCHEMAS / "survey.schema.json")
    schema = checker.schema["properties"][rows]["items"]
    library = extend(Draft202012Validator, type_checker=checker.TYPE_CHECKER)(schema)
    fits = quick_check(schema)
    assert fits is not None
    for row in survey[rows]:
        name = data.draw(st.sampled_from([*row, "model", "splice", "stations", "other"]))
        odd = st.sampled_from(
            [None, True, 0, -1, 7.0, 1e9, math.nan, "", " x", "from", [], {}, [1.5]]
        )
        bad = {**row, name: data.draw(odd)}
        for one in (row, bad):
            assert fits(one) == library.is_valid(one)


def test_what_a_sound_path_cannot_keep_is_a_warning() -> None:
    path = read_survey(SURVEY)
    draws_ma = sum(device.draw_ma for device in path.devices)
    for limits, trip_ma, pointers in (
        (PathLimits(min_device_v=path.source_v), draws_ma, ["/path/limits/min_device_v"]),
        (PathLimits(min_device_v=path.source_v - 1.0), draws_ma - 0.1, ["/path/trip_ma"]),
    ):
        odd = survey_warnings(replace(path, limits=limits, trip_ma=trip_ma))
        assert [warning.pointer for warning in odd] == pointers


def test_a_length_below_the_straight_line_is_a_warning() -> None:
    path = read_survey(bent(SURVEY, "/segments/1/length_m", 29.99))
    (warning,) = survey_warnings(path)
    assert warning.pointer == "/segments/1/length_m"
    assert "30.00 m" in warning.what
    assert survey_warnings(read_survey(bent(SURVEY, "/segments/1/length_m", 30.0))) == ()
