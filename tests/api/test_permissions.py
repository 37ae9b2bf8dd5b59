"""Every route × method × role or scope × own or another's thing, from the tables alone."""

from __future__ import annotations

import pytest

from api.policy import POLICY, rule_for
from core.accounts.actor import Role, TokenScope, system_actor
from core.accounts.people import person_set_roles
from core.models import Contractor
from core.tenancy.scope import contractor_scope
from tests.api.asking import Asker, signed_in, with_token
from tests.api.routes import ROUTES, Route
from tests.api.things import THINGS
from tests.conftest import person_of

pytestmark = pytest.mark.slow

CASES = [(route, method) for route in ROUTES for method in route.methods]
CASE_IDS = [f"{method} {route.path}" for route, method in CASES]


def test_the_table_of_routes_is_the_table_of_the_policy() -> None:
    by_urls = {(route.name, method) for route, method in CASES}
    by_policy = {(name, method) for name, rules in POLICY.items() for method in rules}
    assert by_urls == by_policy
    assert len({route.name for route in ROUTES}) == len(ROUTES)


def test_every_kind_of_thing_can_be_made() -> None:
    assert {route.word for route in ROUTES if route.has_id} == set(THINGS)


@pytest.fixture
def askers(contractor: Contractor) -> list[tuple[Asker, Role | TokenScope]]:
    people = [(signed_in(person_of(contractor, role)), role) for role in Role]
    machines = [(with_token(contractor, [scope]), scope) for scope in TokenScope]
    return [*people, *machines]


def thing(contractor: Contractor, route: Route) -> str:
    if not route.has_id:
        return ""
    with contractor_scope(contractor.pk):
        return THINGS[route.word](system_actor(contractor.pk, "tests"))


def ask(asker: Asker, method: str, path: str) -> int:
    body = None if method == "GET" else {}
    return int(asker.ask(method, path, body, If_Match='"v1"').status_code)


@pytest.mark.slow
@pytest.mark.parametrize(("route", "method"), CASES, ids=CASE_IDS)
def test_who_may(
    askers: list[tuple[Asker, Role | TokenScope]],
    nobody: Asker,
    contractor: Contractor,
    other_contractor: Contractor,
    route: Route,
    method: str,
) -> None:
    rule = rule_for(route.name, method)
    assert rule is not None
    own, others = thing(contractor, route), thing(other_contractor, route)
    allowed = 0
    for asker, may in askers:
        status = ask(asker, method, route.at(own))
        if may not in rule.roles | rule.scopes:
            assert status == 403, f"{asker.name} got {status}"
            assert not route.has_id or ask(asker, method, route.at(others)) == 403
            continue
        allowed += 1
        assert status not in (401, 403, 404, 405, 500), f"{asker.name} got {status}"
        if route.has_id:
            assert ask(asker, method, route.at(others)) == 404, f"{asker.name} reached another's"
    assert allowed
    assert ask(nobody, method, route.at(own)) == 401


@pytest.mark.parametrize("route", [r for r in ROUTES if r.has_id], ids=lambda r: r.path)
def test_an_id_of_another_kind_is_not_found(machine: Asker, route: Route) -> None:
    for method in route.methods:
        assert ask(machine, method, route.at("zz_" + "0" * 26)) == 404


def test_a_route_without_a_line_is_refused(machine: Asker, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(POLICY, "people")  # type: ignore[arg-type]
    assert machine.get("/people").status_code == 403


def test_a_role_taken_away_is_gone_at_the_next_request(contractor: Contractor) -> None:
    person = person_of(contractor, Role.OWNER)
    asker = signed_in(person)
    assert asker.get("/people").status_code == 200
    with contractor_scope(contractor.pk):
        by = system_actor(contractor.pk, "tests")
        person_set_roles(person=person, roles=[Role.AUDITOR], by=by)
    refused = asker.get("/people")
    assert refused.status_code == 403
    assert refused.json()["detail"].endswith("it is for people of these roles: owner.")


def test_a_session_has_to_prove_that_the_request_is_meant(contractor: Contractor) -> None:
    asker = signed_in(person_of(contractor, Role.OWNER))
    asker.client.handler.enforce_csrf_checks = True
    assert asker.get("/crews").status_code == 200
    refused = asker.post("/crews", {"name": "x", "members": []})
    assert refused.status_code == 403
    assert "not proved" in refused.json()["detail"]


def test_a_token_needs_no_such_proof(machine: Asker) -> None:
    machine.client.handler.enforce_csrf_checks = True
    assert machine.post("/crews", {"name": "x", "members": []}).status_code == 201
