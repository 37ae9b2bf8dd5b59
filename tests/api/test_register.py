"""Properties, controllers, wire paths, their maps and devices over HTTP."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from core.models import Contractor
from sites.forms.survey import survey_document
from tests.api.asking import Asker
from tests.sites.surveys import everything_stated, straight_survey
from tests.tracing.drives import tree_path


def made(machine: Asker, path: str, body: Any) -> Any:
    answer = machine.post(path, body)
    assert answer.status_code == 201, answer.json()
    return answer.json()


@pytest.fixture
def place(machine: Asker) -> Any:
    return made(machine, "/properties", {"name": "Meadow Court", "time_zone": "Europe/Madrid"})


@pytest.fixture
def controller(machine: Asker, place: Any) -> Any:
    body = {"property": place["id"], "name": "Pump house"}
    return made(machine, "/controllers", body)


@pytest.fixture
def path(machine: Asker, controller: Any) -> Any:
    survey = straight_survey(5)
    result = made(machine, f"/controllers/{controller['id']}/wire-paths", survey)
    return machine.get(f"/wire-paths/{result['path']}").json()


def test_a_property_is_edited_member_by_member(machine: Asker, place: Any) -> None:
    address = f"/properties/{place['id']}"
    tag = machine.get(address)["ETag"]
    half = machine.patch(address, {"lat": 40.1}, If_Match=tag)
    assert half.status_code == 422
    assert half.json()["errors"][0]["pointer"] == "/lon"
    both = machine.patch(address, {"lat": 40.1, "lon": -3.2, "note": ""}, If_Match=tag)
    assert both.json()["errors"][0]["pointer"] == "/note"
    found = machine.patch(address, {"lat": 40.1, "lon": -3.2}, If_Match=tag).json()
    assert found == place | {"lat": 40.1, "lon": -3.2}


@pytest.mark.parametrize(
    ("members", "pointer"),
    [
        ({"time_zone": "Mars/Olympus"}, "/time_zone"),
        ({"lat": 91, "lon": 0}, "/lat"),
        ({"lat": "40", "lon": 0}, "/lat"),
        ({"lat": True, "lon": 0}, "/lat"),
        ({"lat": 10**400, "lon": 0}, "/lat"),
        ({"name": "two\nlines"}, "/name"),
        ({"ended_at": None}, "/ended_at"),
        ({"version": 1}, "/version"),
    ],
)
def test_a_property_that_does_not_fit(
    machine: Asker, members: dict[str, Any], pointer: str
) -> None:
    answer = machine.post("/properties", {"name": "M", "time_zone": "UTC"} | members)
    assert answer.status_code == 422
    assert pointer in {error["pointer"] for error in answer.json()["errors"]}


def test_properties_are_found_by_their_name_elsewhere(machine: Asker, place: Any) -> None:
    body = {"name": "Elm Court", "time_zone": "UTC", "external_id": "E-7"}
    other = made(machine, "/properties", body)
    assert machine.post("/properties", body).json()["property"] == other["id"]
    found = machine.get("/properties?external_id=E-7").json()["items"]
    assert [row["id"] for row in found] == [other["id"]]
    names = [row["name"] for row in machine.get("/properties?sort=name").json()["items"]]
    assert names == ["Elm Court", "Meadow Court"]


def test_what_shows_beside_a_property_changes_its_tag_but_not_its_version(
    machine: Asker, place: Any
) -> None:
    address = f"/properties/{place['id']}"
    tag = machine.get(address)["ETag"]
    made(machine, "/controllers", {"property": place["id"], "name": "North"})
    assert machine.get(address, If_None_Match=tag).status_code == 200
    assert machine.patch(address, {"address": "Lane 1"}, If_Match=tag).status_code == 200


def test_seasons_replace_each_other(machine: Asker, controller: Any) -> None:
    address = f"/controllers/{controller['id']}"
    summer = {"starts_on": "2025-05-01", "ends_on": "2025-09-30"}
    tag = machine.get(address)["ETag"]
    found = machine.put(f"{address}/seasons", {"seasons": [summer]}, If_Match=tag)
    assert found.json()["seasons"][0]["starts_on"] == "2025-05-01"
    late = {"starts_on": "2025-09-01", "ends_on": "2025-10-01"}
    clash = machine.put(f"{address}/seasons", {"seasons": [summer, late]}, If_Match=found["ETag"])
    assert clash.json()["errors"][0]["pointer"] == "/seasons/1/starts_on"
    wrong = {"starts_on": "2025-02-30", "ends_on": "2025-3-1"}
    answer = machine.put(f"{address}/seasons", {"seasons": [wrong]}, If_Match=found["ETag"])
    pointers = [error["pointer"] for error in answer.json()["errors"]]
    assert pointers == ["/seasons/0/starts_on", "/seasons/0/ends_on"]


def test_nothing_ends_before_what_hangs_on_it(
    machine: Asker, place: Any, controller: Any, path: Any
) -> None:
    things = (f"/properties/{place['id']}", f"/controllers/{controller['id']}")
    for address in things:
        tag = machine.get(address)["ETag"]
        assert machine.post(f"{address}/end", If_Match=tag).status_code == 409
    for address in (f"/wire-paths/{path['id']}", *reversed(things)):
        tag = machine.get(address)["ETag"]
        assert machine.post(f"{address}/end").status_code == 428
        assert machine.post(f"{address}/end", If_Match=tag).json()["ended_at"] is not None
    assert machine.get("/properties").json()["items"] == []
    assert len(machine.get("/properties?with_ended=true").json()["items"]) == 1


def test_a_survey_comes_out_as_it_went_in(machine: Asker, controller: Any) -> None:
    survey = everything_stated()
    result = made(machine, f"/controllers/{controller['id']}/wire-paths", survey)
    answer = machine.get(f"/wire-paths/{result['path']}/survey")
    assert answer.json() == survey
    assert answer["ETag"] == '"r1"'
    assert (
        machine.get(f"/wire-paths/{result['path']}/survey", If_None_Match='"r1"').status_code == 304
    )


def test_a_survey_with_defects_is_told_all_of_them_and_stores_nothing(
    machine: Asker, controller: Any
) -> None:
    survey = straight_survey(5)
    survey["segments"][1]["length_m"] = -1
    survey["devices"][0]["node"] = "N99"
    survey["path"]["colour"] = "red"
    answer = machine.post(f"/controllers/{controller['id']}/wire-paths", survey)
    assert answer.status_code == 422
    pointers = {error["pointer"] for error in answer.json()["errors"]}
    assert {"/segments/1/length_m", "/path/colour"} <= pointers
    assert machine.get("/wire-paths").json()["items"] == []
    nothing = machine.post(f"/controllers/{controller['id']}/wire-paths", b"")
    assert nothing.status_code == 422


def test_a_dry_run_stores_nothing(machine: Asker, controller: Any) -> None:
    address = f"/controllers/{controller['id']}/wire-paths?dry_run=true&label=Trial"
    answer = machine.post(address, straight_survey(5))
    assert answer.status_code == 200
    assert (answer.json()["path"], answer.json()["stored"]) == (None, False)
    assert len(answer.json()["devices"]["added"]) > 0
    assert machine.get("/wire-paths").json()["items"] == []


def test_an_import_that_is_sent_again_makes_one_path(machine: Asker, controller: Any) -> None:
    address = f"/controllers/{controller['id']}/wire-paths"
    first = machine.post(address, straight_survey(5), Idempotency_Key="s1")
    again = machine.post(address, straight_survey(5), Idempotency_Key="s1")
    assert first.json() == again.json()
    assert machine.post(address, straight_survey(6), Idempotency_Key="s1").status_code == 422
    assert machine.post(address, straight_survey(5)).status_code == 409
    assert len(machine.get("/wire-paths").json()["items"]) == 1


def test_a_map_is_reimported_on_the_revision_it_was_made_from(machine: Asker, path: Any) -> None:
    address = f"/wire-paths/{path['id']}/survey"
    read = machine.get(address)
    survey = copy.deepcopy(read.json())
    survey["devices"][0]["draw_ma"] = 2.5
    assert machine.put(address, survey).status_code == 428
    assert machine.put(address, survey, If_Match='"v1"').status_code == 428
    result = machine.put(address, survey, If_Match=read["ETag"])
    assert result.json()["revision"] == 2
    assert result.json()["devices"]["changed"] == [survey["devices"][0]["id"]]
    assert result["ETag"] == '"r2"'
    stale = machine.put(address, survey, If_Match=read["ETag"])
    assert (stale.status_code, stale.json()["revision"]) == (412, 2)
    same = machine.put(address, survey, If_Match='"r2"')
    assert (same.json()["stored"], same.json()["revision"]) == (False, 2)
    assert machine.get(f"{address}?revision=1").json() == read.json()
    assert machine.get(f"{address}?revision=9").status_code == 404
    revisions = machine.get(f"/wire-paths/{path['id']}/revisions").json()["items"]
    assert [row["number"] for row in revisions] == [2, 1]


def test_a_map_is_corrected_from_the_field(boss: Asker, machine: Asker, path: Any) -> None:
    address = f"/wire-paths/{path['id']}/corrections"
    code = machine.get(f"/wire-paths/{path['id']}/survey").json()["devices"][0]["id"]
    alter = {"do": "alter", "kind": "device", "code": code, "values": {"draw_ma": 3.5}}
    assert boss.post(address, {"changes": [alter]}).status_code == 428
    wrong = alter | {"values": {"draw_ma": -1}}
    refused = boss.post(address, {"changes": [wrong]}, If_Match='"r1"')
    assert refused.json()["errors"][0]["pointer"] == "/changes/0/values/draw_ma"
    tried = boss.post(f"{address}?dry_run=true", {"changes": [alter]}, If_Match='"r1"')
    assert (tried.json()["stored"], tried.json()["revision"]) == (False, 2)
    done = boss.post(address, {"changes": [alter], "note": "read on it"}, If_Match='"r1"')
    assert done.json()["devices"]["changed"] == [code]
    assert boss.post(address, {"changes": [alter]}, If_Match='"r1"').status_code == 412


def test_a_map_is_drawn_and_checked(machine: Asker, path: Any) -> None:
    drawn = machine.get(f"/wire-paths/{path['id']}/geojson")
    assert drawn["Content-Type"] == "application/geo+json"
    assert drawn.json()["type"] == "FeatureCollection"
    figures = machine.get(f"/wire-paths/{path['id']}/figures").json()
    assert figures["lowest"]["voltage_v"] < 30
    assert figures["controller_current_ma"] > 0
    assert len(figures["drops"]) == len(
        machine.get(f"/wire-paths/{path['id']}/survey").json()["segments"]
    )


def test_devices_over_all_paths(machine: Asker, controller: Any, path: Any) -> None:
    survey = survey_document(tree_path())
    made(machine, f"/controllers/{controller['id']}/wire-paths?label=Tree", survey)
    all_of_them = machine.get("/devices?limit=200").json()["items"]
    of_path = machine.get(f"/devices?path={path['id']}&sort=-code").json()["items"]
    assert len(all_of_them) == len(of_path) + len(survey["devices"])
    assert [row["code"] for row in of_path] == sorted((r["code"] for r in of_path), reverse=True)
    assert machine.get(f"/devices/{of_path[0]['id']}").json() == of_path[0]
    missing = machine.get("/devices?path=path_" + "0" * 26)
    assert missing.status_code == 422
    assert missing.json()["errors"][0]["parameter"] == "path"


def test_things_of_others_cannot_be_named_in_bodies(
    other_machine: Asker, place: Any, controller: Any, path: Any, contractor: Contractor
) -> None:
    answer = other_machine.post("/controllers", {"property": place["id"], "name": "x"})
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "/property")
    for member, thing in (("property", place), ("controller", controller), ("path", path)):
        call = other_machine.post("/calls", {member: thing["id"]})
        assert (call.status_code, call.json()["errors"][0]["pointer"]) == (422, f"/{member}")
        body = {"kind": "rain", "at": "2025-04-02T08:15:00Z", member: thing["id"]}
        event = other_machine.post("/events", body)
        assert (event.status_code, event.json()["errors"][0]["pointer"]) == (422, f"/{member}")
