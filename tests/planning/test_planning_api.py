"""Planning over HTTP: cards, needs, plans, visits, calendars."""

from __future__ import annotations

from typing import Any

import pytest
import vobject
from django.test import Client

from core.accounts.actor import Actor, TokenScope, system_actor
from core.models import Contractor
from core.tenancy.scope import contractor_scope
from faults.forms.day_plan import read_problem
from faults.selectors.day_plans import plan_get
from tests.api.asking import Asker, with_token
from tests.planning.running import run_jobs
from tests.planning.test_day_plans import MONDAY, at_dawn
from tests.planning.towns import HOURS, a_call

__all__ = ["at_dawn"]

pytestmark = pytest.mark.slow

CARD = {"time_zone": "Europe/Madrid", "base_lat": 40.4, "base_lon": -3.7, "hours": HOURS}


@pytest.fixture
def by(contractor: Contractor) -> Actor:
    return system_actor(contractor.pk, "tests")


@pytest.fixture
def machine(contractor: Contractor) -> Asker:
    return with_token(contractor, list(TokenScope))


def test_a_day_over_http(machine: Asker, by: Actor, at_dawn: Any, client: Client) -> None:
    crew = machine.post("/crews", {"name": "Ash", "members": []}).json()["id"]
    assert machine.get(f"/crews/{crew}/card").status_code == 404
    card = machine.ask("PUT", f"/crews/{crew}/card", CARD, If_Match='"v0"')
    assert (card.status_code, card.json()["hours"][0]["start"]) == (200, "07:30")
    assert machine.ask("PUT", f"/crews/{crew}/card", CARD, If_Match='"v0"').status_code == 412
    with contractor_scope(by.contractor_id):
        call = a_call(by, 1).public_id
    needs = machine.get(f"/calls/{call}/needs")
    wants = {"skills": ["splicing"], "access": [{"weekday": 0, "start": "08:00", "stop": "15:00"}]}
    assert (
        machine.ask("PUT", f"/calls/{call}/needs", wants, If_Match=needs["ETag"]).status_code == 200
    )
    asked = machine.post("/day-plans", {"from_day": MONDAY.date().isoformat()})
    assert (asked.status_code, asked.json()["state"]) == (201, "asked")
    run_jobs()
    plan = f"/day-plans/{asked.json()['id']}"
    (left,) = machine.get(plan).json()["left_out"]
    assert "splicing" in left["text"]
    skilled = machine.ask(
        "PUT", f"/crews/{crew}/card", CARD | {"skills": ["splicing"]}, If_Match=card["ETag"]
    )
    assert skilled.status_code == 200
    asked = machine.post("/day-plans", {"from_day": MONDAY.date().isoformat()})
    run_jobs()
    plan = f"/day-plans/{asked.json()['id']}"
    draft = machine.get(plan)
    assert (draft.json()["left_out"], draft.json()["figures"]["visits_planned"]) == ([], 1)
    assert machine.post(f"{plan}/publish", {}).status_code == 428
    assert (
        machine.post(f"{plan}/publish", {}, If_Match=draft["ETag"]).json()["state"] == "published"
    )
    (visit,) = machine.get(f"/visits?crew={crew}").json()["items"]
    assert (visit["call"], visit["state"]) == (call, "planned")
    tag = machine.get(f"/visits/{visit['id']}")["ETag"]
    done = machine.post(f"/visits/{visit['id']}/moves", {"to": "done"}, If_Match=tag)
    assert (done.status_code, done.json()["legal"]) == (409, ["started", "missed"])
    begun = machine.post(f"/visits/{visit['id']}/moves", {"to": "started"}, If_Match=tag)
    assert begun.json()["state"] == "started"
    address = machine.post(f"/crews/{crew}/calendar-addresses", {}).json()
    text = client.get(address["address"].partition("testserver")[2]).content.decode()
    assert vobject.readOne(text).vevent.uid.value == f"call:{call}@clampline"
    assert machine.post(f"/calendar-addresses/{address['id']}/revoke", {}).json()["revoked_at"]


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"time_zone": "Mars/Base"}, "/time_zone"),
        ({"hours": [{"weekday": 1, "start": "25:00", "stop": "08:00"}]}, "/hours/0/start"),
        ({"hours": [HOURS[0], HOURS[0]]}, "/hours"),
        ({"days_off": ["2026-02-30"]}, "/days_off/0"),
        ({"skills": ["Splicing!"]}, "/skills"),
    ],
)
def test_a_card_that_does_not_fit_says_where(
    machine: Asker, body: dict[str, Any], pointer: str
) -> None:
    crew = machine.post("/crews", {"name": "Ash", "members": []}).json()["id"]
    refused = machine.ask("PUT", f"/crews/{crew}/card", CARD | body, If_Match='"v0"')
    assert refused.status_code == 422
    assert [error["pointer"] for error in refused.json()["errors"]] == [pointer]


def test_a_draft_is_moved_by_hand_and_compared_over_http(
    machine: Asker, by: Actor, at_dawn: Any
) -> None:
    crews = [machine.post("/crews", {"name": name, "members": []}).json()["id"] for name in "AB"]
    for crew in crews:
        machine.ask("PUT", f"/crews/{crew}/card", CARD, If_Match='"v0"')
    with contractor_scope(by.contractor_id):
        calls = [a_call(by, number) for number in range(2)]
    places = [calls[0].property.public_id, crews[0]]
    travel = {"places": places, "minutes": [[0, 17], [23, 0]]}
    day = MONDAY.date().isoformat()
    asked = machine.post("/day-plans", {"from_day": day, "travel": travel}).json()
    run_jobs()
    plan = f"/day-plans/{asked['id']}"
    with contractor_scope(by.contractor_id):
        problem = read_problem(plan_get(asked["id"]).saw["problem"])
    base, court = f"base {crews[0]}", places[0]
    assert problem.travel.between(base, court) == 23
    assert problem.travel.between(court, base) == 17
    before = machine.get(plan)
    (visit, *_) = machine.get(f"/visits?plan={asked['id']}").json()["items"]
    other = next(crew for crew in crews if crew != visit["crew"])
    move = {"visit": visit["name"], "crew": other, "after": ""}
    assert machine.post(f"{plan}/moves", move).status_code == 428
    looked = machine.post(f"{plan}/moves", move | {"dry_run": True}, If_Match=before["ETag"])
    assert (looked.status_code, looked.json()["kept"]) == (201, False)
    moved = machine.post(f"{plan}/moves", move, If_Match=before["ETag"]).json()
    assert moved["starts_at"] == looked.json()["starts_at"]
    assert machine.get(f"/visits/{visit['id']}").json()["crew"] == other
    assert machine.get(plan).json()["by_hand"] == {visit["name"]: "Put there by gateway."}
    wrong = move | {"visit": "call:nowhere"}
    refused = machine.post(f"{plan}/moves", wrong, If_Match=machine.get(plan)["ETag"])
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "/visit")
    second = machine.post("/day-plans", {"from_day": day}).json()["id"]
    assert machine.get(f"{plan}/comparison?to={second}").status_code == 409
    run_jobs()
    found = machine.get(f"{plan}/comparison?to={second}").json()
    assert found["alike"] + len(found["others"]) == 2
    assert {one["name"] for one in found["figures"]} >= {"drive_min", "promises_kept"}
    back = machine.post(f"{plan}/take-back", {}, If_Match=machine.get(plan)["ETag"])
    assert back.status_code == 201
    assert machine.get(f"/visits/{visit['id']}").json()["crew"] == visit["crew"]


def test_a_plan_names_nothing_of_another_contractor(
    machine: Asker, other_contractor: Contractor, at_dawn: Any
) -> None:
    other = with_token(other_contractor, list(TokenScope))
    foreign = other.post("/crews", {"name": "Ash", "members": []}).json()["id"]
    day = MONDAY.date().isoformat()
    for options, pointer in (
        ({"crews_off": [foreign]}, "/crews_off/0"),
        ({"locks": [{"visit": "call:x", "crew": foreign}]}, "/locks/0/crew"),
        ({"travel": {"places": [foreign], "minutes": [[0]]}}, "/travel/places/0"),
    ):
        refused = machine.post("/day-plans", {"from_day": day} | options)
        assert refused.status_code == 422
        assert [one["pointer"] for one in refused.json()["errors"]] == [pointer]
    assert machine.get("/day-plans").json()["items"] == []
    assert other.post("/day-plans", {"from_day": day, "crews_off": [foreign]}).status_code == 201


def test_a_matrix_that_does_not_fit_says_where(machine: Asker, at_dawn: Any) -> None:
    day = MONDAY.date().isoformat()
    for minutes, pointer in (([[0, 1]], "/travel/minutes"), ([[0, 1], [1, 2]], "/travel")):
        travel = {"places": ["prop_a", "prop_b"], "minutes": minutes}
        refused = machine.post("/day-plans", {"from_day": day, "travel": travel})
        assert refused.status_code == 422
        assert [one["pointer"] for one in refused.json()["errors"]] == [pointer]
