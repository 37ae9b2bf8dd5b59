"""People, crews and tokens over HTTP."""

from __future__ import annotations

import pytest

from core.accounts.actor import system_actor
from core.models import Change, Contractor
from core.tenancy.scope import contractor_scope
from tests.api.asking import Asker
from tests.api.things import a_person
from tests.conftest import PASSWORD


def person(machine: Asker, **members: object) -> dict[str, object]:
    body = {
        "name": "Wren Alderton",
        "sign_in_name": "wren",
        "password": PASSWORD,
        "roles": ["technician"],
    }
    answer = machine.post("/people", body | members)
    assert answer.status_code == 201, answer.json()
    found: dict[str, object] = answer.json()
    return found


def test_a_person_is_taken_on_and_changed(machine: Asker, boss: Asker) -> None:
    new = person(machine)
    assert set(new) == {"id", "name", "sign_in_name", "roles", "is_active", "created_at"}
    path = f"/people/{new['id']}"
    read = boss.get(path)
    assert read.json() == new
    edited = boss.patch(path, {"roles": ["technician", "auditor"]}, If_Match=read["ETag"])
    assert edited.json()["roles"] == ["auditor", "technician"]
    assert edited["ETag"] != read["ETag"]
    assert boss.get(path)["ETag"] == edited["ETag"]


def test_an_edit_says_which_version_it_means(machine: Asker) -> None:
    path = f"/people/{person(machine)['id']}"
    tag = machine.get(path)["ETag"]
    assert machine.patch(path, {"name": "A"}).status_code == 428
    bare = machine.patch(path, {"name": "A"}, If_Match="v1")
    assert (bare.status_code, "'v1' is none" in bare.json()["detail"]) == (428, True)
    assert machine.patch(path, {"name": "A"}, If_Match="*").status_code == 428
    assert machine.patch(path, {"name": "A"}, If_Match=tag).status_code == 200
    stale = machine.patch(path, {"name": "B"}, If_Match=tag)
    assert stale.status_code == 412
    assert stale.json()["version"] == 2
    assert machine.get(path).json()["name"] == "A"


def test_who_has_a_version_is_not_sent_it_again(machine: Asker) -> None:
    path = f"/people/{person(machine)['id']}"
    tag = machine.get(path)["ETag"]
    unchanged = machine.get(path, If_None_Match=f'"v9", W/{tag}')
    assert (unchanged.status_code, unchanged.content) == (304, b"")
    assert machine.get(path, If_None_Match='"v9"').status_code == 200


@pytest.mark.parametrize(
    ("members", "pointer"),
    [
        ({"password": "short"}, "/password"),
        ({"password": "password1234"}, "/password"),
        ({"roles": []}, "/roles"),
        ({"roles": ["king"]}, "/roles/0"),
        ({"roles": "owner"}, "/roles"),
        ({"name": None}, "/name"),
        ({"name": " "}, "/name"),
        ({"name": "\u200b"}, "/name"),
        ({"name": "a\nb"}, "/name"),
        ({"name": "a\u202eb"}, "/name"),
        ({"name": 7}, "/name"),
        ({"name": True}, "/name"),
        ({"is_active": True}, "/is_active"),
        ({"id": "per_x"}, "/id"),
        ({"contractor": 1}, "/contractor"),
    ],
)
def test_a_body_that_does_not_fit(machine: Asker, members: dict[str, object], pointer: str) -> None:
    body = {"name": "W", "sign_in_name": "w", "password": PASSWORD, "roles": ["auditor"]}
    answer = machine.post("/people", body | members)
    assert answer.status_code == 422
    assert pointer in {error["pointer"] for error in answer.json()["errors"]}


def test_a_flag_is_no_word(machine: Asker) -> None:
    path = f"/people/{person(machine)['id']}"
    for wrong in ("false", 0, None):
        assert machine.patch(path, {"is_active": wrong}, If_Match='"v1"').status_code == 422


def test_a_name_shows_something_wherever_one_is_given(machine: Asker) -> None:
    crew = machine.post("/crews", {"name": "North", "members": []})
    token = {"scopes": ["read"], "lifetime_days": 1}
    for answer in (
        machine.post("/crews", {"name": "\u200b", "members": []}),
        machine.post("/tokens", {"name": "a\u0007", **token}),
        machine.patch(f"/crews/{crew.json()['id']}", {"name": "\u202e"}, If_Match=crew["ETag"]),
    ):
        assert answer.json()["errors"][0]["pointer"] == "/name"


def test_a_taken_name_is_a_conflict(machine: Asker) -> None:
    person(machine)
    body = {"name": "W", "sign_in_name": "wren", "password": PASSWORD, "roles": ["auditor"]}
    assert machine.post("/people", body).status_code == 409


def test_somebody_always_owns_it(boss: Asker) -> None:
    mine = boss.get("/me").json()
    assert (mine["kind"], mine["roles"]) == ("person", ["owner"])
    path = f"/people/{mine['id']}"
    tag = boss.get(path)["ETag"]
    assert boss.patch(path, {"roles": ["auditor"]}, If_Match=tag).status_code == 409
    assert boss.patch(path, {"is_active": False}, If_Match=tag).status_code == 409
    person(boss, sign_in_name="second", roles=["owner"])
    assert boss.patch(path, {"roles": ["auditor"]}, If_Match=tag).status_code == 200
    assert boss.get("/people").status_code == 403


def test_a_crew_takes_people_of_the_contractor_alone(
    machine: Asker, contractor: Contractor, other_contractor: Contractor
) -> None:
    with contractor_scope(other_contractor.pk):
        stranger = a_person(system_actor(other_contractor.pk, "tests"))
    own = str(person(machine)["id"])
    refused = machine.post("/crews", {"name": "North", "members": [own, stranger]})
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["pointer"] == "/members/1"
    crew = machine.post("/crews", {"name": "North", "members": [own]})
    assert crew.json()["members"] == [{"id": own, "name": "Wren Alderton"}]
    path = f"/crews/{crew.json()['id']}"
    refused = machine.patch(path, {"members": [stranger]}, If_Match=crew["ETag"])
    assert refused.status_code == 422
    emptied = machine.patch(path, {"members": [], "name": "South"}, If_Match=crew["ETag"])
    assert (emptied.json()["name"], emptied.json()["members"]) == ("South", [])
    assert machine.post("/crews", {"name": "South", "members": []}).status_code == 409


def test_a_secret_is_shown_once_and_a_token_ends_at_once(
    machine: Asker, contractor: Contractor
) -> None:
    body = {"name": "weather", "scopes": ["read"], "lifetime_days": 30}
    issued = machine.post("/tokens", body, Idempotency_Key="t1")
    secret = issued.json()["secret"]
    again = machine.post("/tokens", body, Idempotency_Key="t1")
    assert again.json() == issued.json() | {"secret": None}
    path = f"/tokens/{issued.json()['id']}"
    assert "secret" not in machine.get(path).json()
    with contractor_scope(contractor.pk):
        kept = str(list(Change.objects.values_list("after", flat=True)))
    assert secret not in kept
    holder = Asker(token=secret)
    assert holder.get("/me").json()["scopes"] == ["read"]
    assert holder.get("/tokens").status_code == 403
    assert machine.post(f"{path}/revoke").json()["revoked_at"] is not None
    assert holder.get("/me").status_code == 401
