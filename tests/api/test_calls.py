"""Calls over HTTP: what is reported of them, whose they are, and who is first."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from core.accounts.actor import system_actor
from core.clock import now
from core.models import Contractor
from core.tenancy.scope import contractor_scope
from sites.models import WirePath
from sites.selectors.paths import path_get
from tests.api.asking import Asker
from tests.faults.places import path_at_new_place

SAID = {
    "kind": "stations",
    "urgency": "routine",
    "dry_stations": [3, 4],
    "only_with_station": 3,
    "after_rain": True,
    "after_lightning": False,
    "digging_nearby": True,
    "promised_by": "2030-04-02T10:00:00Z",
    "contact": "the warden, at the gate",
    "access_hours": "7 to 15",
    "note": "behind the pond",
}


@pytest.fixture
def path(contractor: Contractor) -> WirePath:
    with contractor_scope(contractor.pk):
        return path_get(path_at_new_place(system_actor(contractor.pk, "tests")).public_id)


def test_what_is_said_of_a_call_is_kept_and_changed_member_by_member(
    machine: Asker, path: WirePath
) -> None:
    call = machine.post("/calls", SAID | {"path": path.public_id})
    assert SAID.items() <= call.json().items()
    assert call.json()["stations_dry"] == 2
    address = f"/calls/{call.json()['id']}"
    edit = {"promised_by": None, "dry_stations": [4], "only_with_station": None}
    edited = machine.patch(address, edit, If_Match=call["ETag"])
    assert (SAID | edit).items() <= edited.json().items()
    assert machine.patch(address, {"note": "x"}, If_Match=call["ETag"]).status_code == 412
    told = str(machine.get("/changes").json())
    assert "warden" not in told


@pytest.mark.parametrize(
    ("members", "pointer"),
    [
        ({"kind": "sorcery"}, "/kind"),
        ({"dry_stations": []}, "/dry_stations"),
        ({"dry_stations": [0]}, "/dry_stations/0"),
        ({"dry_stations": 3}, "/dry_stations"),
        ({"only_with_station": "3"}, "/only_with_station"),
        ({"promised_by": "tomorrow"}, "/promised_by"),
        ({"after_rain": 1}, "/after_rain"),
        ({"since": "2025-04-02T08:15:00Z"}, "/since"),
        ({"since": "2999-04-02T08:15:00Z", "fold": True}, "/since"),
        ({"contact": "x" * 201}, "/contact"),
        ({"crew": "crew_" + "0" * 26}, "/crew"),
    ],
)
def test_a_call_that_does_not_fit(
    machine: Asker, path: WirePath, members: dict[str, Any], pointer: str
) -> None:
    answer = machine.post("/calls", SAID | {"path": path.public_id} | members)
    assert answer.status_code == 422
    assert pointer in {error["pointer"] for error in answer.json()["errors"]}
    assert machine.get("/calls").json()["items"] == []


def test_a_report_is_folded_only_where_that_is_asked_for(machine: Asker, path: WirePath) -> None:
    body = {"path": path.public_id, "urgency": "routine"}
    first = machine.post("/calls", body).json()
    assert machine.post("/calls", body).status_code == 409
    since = (now() - dt.timedelta(hours=5)).isoformat()
    report = {"path": path.public_id, "urgency": "urgent", "fold": True, "since": since}
    folded = machine.post("/calls", report, Idempotency_Key="f1")
    again = machine.post("/calls", report, Idempotency_Key="f1")
    assert folded.json() == again.json()
    assert (folded.json()["id"], folded.json()["urgency"]) == (first["id"], "urgent")
    assert folded.json()["reports"] == first["reports"] + 1
    assert dt.datetime.fromisoformat(folded.json()["opened_at"]) == dt.datetime.fromisoformat(since)
    assert len(machine.get("/calls").json()["items"]) == 1


def test_a_call_is_one_partys(
    machine: Asker, other_machine: Asker, path: WirePath, contractor: Contractor
) -> None:
    person = {"sign_in_name": "wren", "name": "Wren", "password": "weathered-oak-trellis"}
    wren = machine.post("/people", person | {"roles": ["technician"]}).json()["id"]
    crew = machine.post("/crews", {"name": "North", "members": [wren]}).json()["id"]
    theirs = other_machine.post("/crews", {"name": "South", "members": []}).json()["id"]
    call = machine.post("/calls", {"path": path.public_id})
    address = f"/calls/{call.json()['id']}/assign"
    assert machine.post(address, {"crew": crew}).status_code == 428
    given = machine.post(address, {"crew": crew}, If_Match=call["ETag"])
    assert (given.json()["crew"], given.json()["person"]) == ({"id": crew, "name": "North"}, None)
    assert machine.post(address, {"person": wren}, If_Match=call["ETag"]).status_code == 412
    tag = given["ETag"]
    for body, pointer in (
        ({}, "/crew"),
        ({"crew": crew, "person": wren}, "/person"),
        ({"crew": theirs}, "/crew"),
        ({"person": crew}, "/person"),
    ):
        refused = machine.post(address, body, If_Match=tag)
        assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, pointer)
    taken = machine.post(address, {"person": wren}, If_Match=tag)
    assert (taken.json()["crew"], taken.json()["person"]["id"]) == (None, wren)
    nobody = machine.post(address, {"person": None}, If_Match=taken["ETag"])
    assert (nobody.json()["crew"], nobody.json()["person"]) == (None, None)
    ended = machine.post(
        f"/calls/{call.json()['id']}/moves", {"to": "cancelled"}, If_Match=nobody["ETag"]
    )
    assert machine.post(address, {"crew": crew}, If_Match=ended["ETag"]).status_code == 409
