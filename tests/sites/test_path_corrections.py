from __future__ import annotations

import copy

import pytest

from core.accounts.actor import Actor
from core.models import Change
from core.problems import Invalid, Stale
from sites.map_edits import MapEdit
from sites.models import Controller, Device, Node, RowLineage, Segment, WirePath
from sites.selectors.paths import path_lineage, path_revisions
from sites.services.path_corrections import path_correct
from sites.services.path_imports import path_import
from sites.survey_rows import path_survey
from tests.forms.documents import bent
from tests.sites.surveys import Document, straight_survey

SPLIT = [
    MapEdit(
        "add",
        "node",
        "N9",
        {"kind": "inline-splice", "x_m": 45.0, "y_m": 0.0, "access": "buried"},
        ground_changed=True,
    ),
    MapEdit("end", "segment", "S2", ground_changed=True),
    *(
        MapEdit(
            "add",
            "segment",
            code,
            {"from": start, "to": end, "length_m": 16.0, "conductor": "AWG 14"},
            comes_from=("S2",),
            ground_changed=True,
        )
        for code, start, end in (("S2a", "N1", "N9"), ("S2b", "N9", "N2"))
    ),
]
"""A splice set into the segment S2, which becomes two."""


@pytest.fixture
def survey() -> Document:
    return straight_survey(4)


@pytest.fixture
def path(controller: Controller, by: Actor, survey: Document) -> WirePath:
    made = path_import(controller=controller, survey=survey, by=by).path
    assert made is not None
    return made


def pointers(refused: pytest.ExceptionInfo[Invalid]) -> list[str]:
    return [defect.pointer for defect in refused.value.defects]


def test_an_altered_row_makes_the_next_revision_of_that_row_alone(
    path: WirePath, by: Actor, survey: Document
) -> None:
    edit = MapEdit("alter", "node", "N2", {"access": "buried", "splice": None})
    told = path_correct(path=path, base_revision=1, changes=[edit], by=by, note="dug up")
    assert (told.revision, told.nodes.changed, told.segments.changed) == (2, ("N2",), ())
    wanted = bent(survey, "/nodes/2/access", "buried")
    del wanted["nodes"][2]["splice"]
    assert path_survey(path) == wanted
    assert path_survey(path, 1) == survey
    newest = path_revisions(path)[0]
    assert (newest.number, newest.note) == (2, "dug up")
    assert Change.objects.get(action="path.corrected").before == {"revision": 1}


def test_the_header_is_corrected_too(path: WirePath, by: Actor, survey: Document) -> None:
    edits = [
        MapEdit("alter", "path", values={"trip_ma": 900.0, "limits": {"min_device_v": 20.0}}),
        MapEdit("alter", "path", values={"earth_reference_ohm": None}),
    ]
    told = path_correct(path=path, base_revision=1, changes=edits, by=by)
    header = {"trip_ma": 900.0, "limits": {"min_device_v": 20.0}, "earth_reference_ohm": None}
    assert path_survey(path)["path"] == survey["path"] | header
    assert not told.nodes
    path.refresh_from_db()
    assert (path.trip_ma, path.min_device_v, path.revision) == (900.0, 20.0, 2)


def test_a_split_keeps_its_lineage_and_what_was_before(
    path: WirePath, by: Actor, survey: Document
) -> None:
    told = path_correct(path=path, base_revision=1, changes=SPLIT, by=by)
    assert (told.segments.added, told.segments.ended) == (("S2a", "S2b"), ("S2",))
    lineage = [(row.revision, row.kind, row.old_code, row.new_code) for row in path_lineage(path)]
    assert lineage == [(2, "segment", "S2", "S2a"), (2, "segment", "S2", "S2b")]
    ended = Segment.objects.get(code="S2")
    assert (ended.to_revision, ended.gone_from_ground) == (2, True)
    assert Node.objects.get(code="N9").ground_changed
    assert path_survey(path, 1) == survey


def test_a_map_that_was_wrong_is_told_from_ground_that_changed(path: WirePath, by: Actor) -> None:
    edits = [MapEdit("end", "device", "D1"), MapEdit("end", "device", "D2", ground_changed=True)]
    path_correct(path=path, base_revision=1, changes=edits, by=by)
    gone = dict(Device.objects.filter(to_revision=2).values_list("code", "gone_from_ground"))
    assert gone == {"D1": False, "D2": True}


def test_an_old_base_is_stale_and_stores_nothing(path: WirePath, by: Actor) -> None:
    move = [MapEdit("alter", "node", "N2", {"x_m": 61.0})]
    path_correct(path=path, base_revision=1, changes=move, by=by)
    with pytest.raises(Stale) as refused:
        path_correct(path=path, base_revision=1, changes=SPLIT, by=by)
    assert refused.value.extra == {"revision": 2}
    assert not RowLineage.objects.exists()


def test_a_dry_run_tells_and_stores_nothing(path: WirePath, by: Actor, survey: Document) -> None:
    told = path_correct(path=path, base_revision=1, changes=SPLIT, by=by, dry_run=True)
    assert (told.stored, told.segments.added) == (False, ("S2a", "S2b"))
    assert path_survey(path) == survey
    assert not RowLineage.objects.exists()


def test_edits_that_cannot_be_made_are_told_all_at_once(path: WirePath, by: Actor) -> None:
    edits = [
        MapEdit("alter", "node", "N77", {"x_m": 1.0}),
        MapEdit("add", "segment", "S1", {}),
        MapEdit("end", "device", "D1", {"draw_ma": 2.0}),
        MapEdit("alter", "device", "D2", {"id": "D9"}),
        MapEdit("add", "device", "D8", {}, comes_from=("D77",)),
        MapEdit("alter", "node", "N1", {"x_m": 1.0}, comes_from=("N2",)),
        MapEdit("end", "path"),
    ]
    with pytest.raises(Invalid) as refused:
        path_correct(path=path, base_revision=1, changes=edits, by=by)
    assert pointers(refused) == [
        "/changes/0/code",
        "/changes/1/code",
        "/changes/2/values",
        "/changes/3/values/id",
        "/changes/4/comes_from/0",
        "/changes/5/comes_from",
        "/changes/6/do",
    ]


@pytest.mark.parametrize(
    ("edit", "pointer", "what"),
    [
        (MapEdit("alter", "node", "N2", {"x_m": "far"}), "/changes/0/values/x_m", "number"),
        (MapEdit("add", "node", "N8", {"kind": "cable-end"}), "/changes/0/values/x_m", "missing"),
        (MapEdit("add", "device", "N1", {}), "/changes/0/code", "taken"),
        (MapEdit("end", "node", "N2"), "/changes", "segment S2"),
        (MapEdit("end", "segment", "S2"), "/changes", "not connected"),
        (MapEdit("alter", "path", values={"trip_ma": -1}), "/changes/0/values/trip_ma", "small"),
    ],
)
def test_a_map_that_would_not_fit_is_refused_at_the_edit(
    path: WirePath, by: Actor, survey: Document, edit: MapEdit, pointer: str, what: str
) -> None:
    with pytest.raises(Invalid) as refused:
        path_correct(path=path, base_revision=1, changes=[edit], by=by)
    assert any(
        defect.pointer == pointer and what in defect.what for defect in refused.value.defects
    ), refused.value.defects
    assert path_survey(path) == survey


def test_no_change_and_a_long_note_are_refused(path: WirePath, by: Actor) -> None:
    with pytest.raises(Invalid) as refused:
        path_correct(path=path, base_revision=1, changes=[], by=by)
    assert pointers(refused) == ["/changes"]
    with pytest.raises(Invalid) as refused:
        path_correct(path=path, base_revision=1, changes=SPLIT, by=by, note="x" * 201)
    assert pointers(refused) == ["/note"]


def test_only_warnings_that_are_new_are_given(controller: Controller, by: Actor) -> None:
    short = bent(straight_survey(4), "/segments/3/length_m", 5.0)
    path = path_import(controller=controller, survey=short, by=by).path
    assert path is not None
    edit = MapEdit("alter", "segment", "S1", {"length_m": 4.0})
    told = path_correct(path=path, base_revision=1, changes=[edit], by=by)
    assert [warning.pointer for warning in told.warnings] == ["/changes/0/values/length_m"]


def test_the_edits_of_a_caller_are_left_as_they_are(path: WirePath, by: Actor) -> None:
    edits = copy.deepcopy(SPLIT)
    path_correct(path=path, base_revision=1, changes=edits, by=by)
    assert edits == SPLIT
