from __future__ import annotations

import copy
from typing import Any

import pytest
from django.db import IntegrityError, transaction

from core.accounts.actor import Actor
from core.models import Change
from core.problems import Conflict, Invalid, Stale
from sites.models import Controller, Device, Node, PathRevision, Segment, WirePath
from sites.selectors.paths import path_rows
from sites.services import path_imports
from sites.services.controllers import path_end
from sites.services.path_imports import path_import, path_reimport
from sites.survey_rows import path_survey
from tests.forms.documents import bent
from tests.sites.surveys import Document, straight_survey

LITTLE = straight_survey(1)


@pytest.fixture
def survey() -> Document:
    return straight_survey(4)


@pytest.fixture
def path(controller: Controller, by: Actor, survey: Document) -> WirePath:
    made = path_import(controller=controller, survey=survey, by=by).path
    assert made is not None
    return made


def rows_stored() -> dict[str, int]:
    models: tuple[Any, ...] = (WirePath, PathRevision, Node, Segment, Device, Change)
    return {model.__name__: model.objects.count() for model in models}


def test_an_import_tells_what_it_added_and_is_recorded(
    controller: Controller, by: Actor, survey: Document
) -> None:
    told = path_import(controller=controller, survey=survey, by=by)
    assert told.path is not None
    assert (told.revision, told.stored, told.path.revision) == (1, True, 1)
    assert told.nodes.added == ("N0", "N1", "N2", "N3", "N4")
    assert told.segments.counts() == {"added": 4, "changed": 0, "moved": 0, "ended": 0}
    revision = path_rows(told.path).revision
    assert (revision.node_count, revision.segment_count, revision.device_count) == (5, 4, 4)
    assert (revision.by_name, revision.trip_ma) == ("tests", 1500.0)
    change = Change.objects.get(action="path.imported")
    assert change.object_id == told.path.public_id
    assert change.after["nodes"]["added"] == 5


def test_all_defects_come_at_once_with_their_pointers_and_nothing_is_stored(
    controller: Controller, by: Actor, survey: Document
) -> None:
    wrong = bent(survey, "/nodes/2/kind", "splice")
    wrong = bent(wrong, "/segments/1/to", "N9")
    wrong = bent(wrong, "/devices/0/draw_ma", -1)
    before = rows_stored()
    with pytest.raises(Invalid) as refused:
        path_import(controller=controller, survey=wrong, by=by)
    pointers = [defect.pointer for defect in refused.value.defects]
    assert {"/nodes/2/kind", "/segments/1/to", "/devices/0/draw_ma"} <= set(pointers)
    assert all(defect.what and defect.right for defect in refused.value.defects)
    assert rows_stored() == before


def test_of_very_many_defects_the_problem_says_that_not_all_are_told(
    controller: Controller, by: Actor, survey: Document
) -> None:
    with pytest.raises(Invalid) as refused:
        path_import(controller=controller, survey={**survey, "nodes": [{}] * 2_000}, by=by)
    told = "more than 1,000 defects; the first 1,000 are told"
    assert refused.value.detail == f"The survey has {told}."
    assert len(refused.value.defects) == 1_001
    assert refused.value.defects[-1].what == f"there are {told}"


@pytest.mark.parametrize(
    ("survey", "pointer", "what"),
    [
        (b"{", "", "not JSON"),
        (b" " * 20_000_001, "", "more than 20 MB"),
        (straight_survey(20_000), "/nodes", "20001 entries"),
        (bent(LITTLE, "/path/label", "half \ud800"), "/path/label", "half a character"),
        (
            bent(LITTLE, "/path/source_v", float("nan")),
            "/path/source_v",
            "not a number",
        ),
    ],
    ids=["no JSON", "too many bytes", "too many nodes", "half a character", "no number"],
)
def test_the_limits_of_the_form_hold(
    controller: Controller, by: Actor, survey: Document | bytes, pointer: str, what: str
) -> None:
    with pytest.raises(Invalid) as refused:
        path_import(controller=controller, survey=survey, by=by)
    assert any(
        defect.pointer == pointer and what in defect.what for defect in refused.value.defects
    )
    assert not WirePath.objects.exists()


def test_a_dry_run_tells_and_stores_nothing(
    controller: Controller, by: Actor, survey: Document
) -> None:
    before = rows_stored()
    told = path_import(controller=controller, survey=survey, by=by, dry_run=True)
    assert (told.path, told.stored, told.revision) == (None, False, 1)
    assert len(told.devices.added) == 4
    assert rows_stored() == before


def test_warnings_come_with_pointers(controller: Controller, by: Actor, survey: Document) -> None:
    told = path_import(
        controller=controller, survey=bent(survey, "/segments/2/length_m", 12.0), by=by
    )
    assert [warning.pointer for warning in told.warnings] == ["/segments/2/length_m"]


def test_a_label_is_given_once_at_a_controller(
    path: WirePath, controller: Controller, by: Actor, survey: Document
) -> None:
    with pytest.raises(Conflict, match="Straight"):
        path_import(controller=controller, survey=survey, by=by)
    told = path_import(controller=controller, survey=survey, by=by, label="Second")
    assert told.path is not None
    with pytest.raises(Conflict, match="Straight"):
        path_reimport(path=told.path, base_revision=1, survey=survey, by=by)


def altered(survey: Document) -> Document:
    """One node moved, one segment and device more, one device less, another trip current."""
    other = copy.deepcopy(survey)
    other["path"]["trip_ma"] = 1200
    other["nodes"][2]["x_m"] += 1.5
    other["nodes"].append({**other["nodes"][1], "id": "N5", "x_m": 150.0})
    other["segments"].insert(0, {**other["segments"][0], "id": "S5", "from": "N4", "to": "N5"})
    del other["devices"][0]
    return other


def test_a_reimport_writes_only_the_rows_that_differ(
    path: WirePath, by: Actor, survey: Document
) -> None:
    before = rows_stored()
    told = path_reimport(path=path, base_revision=1, survey=altered(survey), by=by)
    assert (told.revision, told.stored, told.header) == (2, True, ("trip_ma",))
    assert (told.nodes.added, told.nodes.changed, told.nodes.moved) == (("N5",), ("N2",), ())
    assert (told.segments.added, told.segments.changed) == (("S5",), ())
    assert (told.devices.ended, told.devices.changed) == (("D1",), ())
    after = rows_stored()
    grown = {name: after[name] - before[name] for name in after}
    assert grown == {
        "WirePath": 0,
        "PathRevision": 1,
        "Node": 2,
        "Segment": 1,
        "Device": 0,
        "Change": 1,
    }
    ended = Device.objects.get(code="D1")
    assert (ended.from_revision, ended.to_revision) == (1, 2)


def test_a_row_keeps_its_public_id_over_revisions(
    path: WirePath, by: Actor, survey: Document
) -> None:
    path_reimport(path=path, base_revision=1, survey=altered(survey), by=by)
    ids = Node.objects.filter(code="N2").values_list("public_id", flat=True)
    assert len(ids) == 2
    assert len(set(ids)) == 1


def test_an_old_revision_stays_exact(path: WirePath, by: Actor, survey: Document) -> None:
    path_reimport(path=path, base_revision=1, survey=altered(survey), by=by)
    assert path_survey(path, 1) == survey
    assert path_survey(path, 2) == altered(survey)
    assert path_survey(path) == altered(survey)
    path.refresh_from_db()
    assert (path.trip_ma, path.revision, path.version) == (1200.0, 2, 2)


def test_the_same_survey_again_makes_no_revision(
    path: WirePath, by: Actor, survey: Document
) -> None:
    before = rows_stored()
    told = path_reimport(path=path, base_revision=1, survey=survey, by=by)
    assert (told.revision, told.stored) == (1, False)
    assert rows_stored() == before


def test_a_dry_run_of_a_reimport_stores_nothing(
    path: WirePath, by: Actor, survey: Document
) -> None:
    before = rows_stored()
    told = path_reimport(path=path, base_revision=1, survey=altered(survey), by=by, dry_run=True)
    assert (told.revision, told.stored, told.nodes.changed) == (2, False, ("N2",))
    assert rows_stored() == before
    path.refresh_from_db()
    assert path.revision == 1


def test_an_old_base_is_stale(path: WirePath, by: Actor, survey: Document) -> None:
    path_reimport(path=path, base_revision=1, survey=altered(survey), by=by)
    with pytest.raises(Stale) as refused:
        path_reimport(path=path, base_revision=1, survey=survey, by=by)
    assert refused.value.extra == {"revision": 2}
    assert path_survey(path) == altered(survey)


def test_of_two_who_took_the_same_base_one_is_refused(
    path: WirePath, by: Actor, survey: Document, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other one comes between the look at the base and the claim."""
    look = path_imports.path_rows

    def look_then_lose(one: WirePath, revision: int) -> Any:
        rows = look(one, revision)
        monkeypatch.setattr(path_imports, "path_rows", look)
        path_reimport(path=one, base_revision=1, survey=bent(survey, "/path/trip_ma", 9), by=by)
        return rows

    monkeypatch.setattr(path_imports, "path_rows", look_then_lose)
    before = rows_stored()
    with pytest.raises(Stale):
        path_reimport(path=path, base_revision=1, survey=altered(survey), by=by)
    after = rows_stored()
    assert (after["PathRevision"], after["Node"]) == (before["PathRevision"] + 1, before["Node"])


def test_an_ended_path_takes_no_survey(path: WirePath, by: Actor, survey: Document) -> None:
    path_end(path=path, version=1, by=by)
    with pytest.raises(Conflict, match="ended"):
        path_reimport(path=path, base_revision=1, survey=altered(survey), by=by)


def test_the_database_keeps_one_live_row_a_code_and_no_revision_is_altered(
    path: WirePath,
) -> None:
    row = Node.objects.get(code="N1")
    row.pk, row.from_revision = None, 2
    with pytest.raises(IntegrityError), transaction.atomic():
        row.save(force_insert=True)
    with pytest.raises(IntegrityError), transaction.atomic():
        PathRevision.objects.filter(path=path).update(trip_ma=1.0)
