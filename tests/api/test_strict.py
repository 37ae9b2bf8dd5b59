"""What an address does not take is refused before anything is done: every route and method."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from api.described import taken_by
from api.urls import urlpatterns
from core.accounts.actor import Role, system_actor
from core.models import Change, Contractor
from core.tenancy.scope import contractor_scope, everywhere
from tests.api.asking import Asker, signed_in
from tests.api.routes import ROUTES, Route
from tests.api.things import THINGS
from tests.conftest import person_of

pytestmark = pytest.mark.slow

VIEWS: dict[str, Any] = {str(one.name): one.callback.cls for one in urlpatterns}
CASES = [(route, method) for route in ROUTES for method in route.methods]
BODILESS = [
    route
    for route, method in CASES
    if method != "GET" and not taken_by(getattr(VIEWS[route.name], method.lower())).body
]
WITH_BODY = [
    (route, method)
    for route, method in CASES
    if method != "GET" and taken_by(getattr(VIEWS[route.name], method.lower())).body
]
BYTES = {"repair-photos", "removed-part-photos"}
"""Their bodies are pictures."""

TAGS = ('"v0"', '"v1"', '"v2"', '"r1"')
UNREAD = ({"bogus": 1}, [1, 2])


def changes() -> int:
    with everywhere(reason="a test counts"):
        return Change.objects.count()


@pytest.fixture
def at(contractor: Contractor) -> Callable[[Route], str]:
    """The address of a route, of a thing of the contractor."""
    made: dict[str, str] = {}

    def address(route: Route) -> str:
        if route.has_id and route.word not in made:
            with contractor_scope(contractor.pk):
                made[route.word] = THINGS[route.word](system_actor(contractor.pk, "tests"))
        return route.at(made.get(route.word, ""))

    return address


@pytest.fixture
def asker(contractor: Contractor) -> Asker:
    return signed_in(person_of(contractor, Role.OWNER))


def test_the_walk_sees_addresses_without_a_body() -> None:
    assert {"job-cancel", "property-end", "day-plan-publish"} <= {one.name for one in BODILESS}
    assert len(BODILESS) >= 12


def test_a_parameter_that_nobody_reads_is_refused(asker: Asker, at: Callable[[Route], str]) -> None:
    for route, method in CASES:
        path = f"{at(route)}?bogus=1"
        before = changes()
        body = None if method == "GET" else {}
        answer = asker.ask(method, path, body, If_Match='"v1"')
        assert answer.status_code == 422, (route.name, method)
        assert "bogus" in [one.get("parameter") for one in answer.json()["errors"]], route.name
        assert changes() == before


def test_a_body_that_nobody_reads_is_refused(asker: Asker, at: Callable[[Route], str]) -> None:
    for route in BODILESS:
        path = at(route)
        before = changes()
        for body in UNREAD:
            answer = asker.ask("POST", path, body, If_Match='"v1"')
            assert answer.status_code == 422, (route.name, body)
        assert asker.ask("POST", path, "{not json", If_Match='"v1"').status_code == 400, route.name
        told = asker.ask("POST", path, "words", Content_Type="text/plain", If_Match='"v1"')
        assert told.status_code == 415, route.name
        assert changes() == before
        assert asker.ask("POST", path, {}, If_Match='"v1"').status_code != 422, route.name
        assert asker.ask("POST", path, None, If_Match='"v1"').status_code != 422, route.name


def test_a_member_that_nobody_reads_is_refused(asker: Asker, at: Callable[[Route], str]) -> None:
    assert len(BODILESS) + len(WITH_BODY) == sum(method != "GET" for _, method in CASES)
    for route, method in WITH_BODY:
        path = at(route)
        before = changes()
        told = [asker.ask(method, path, {"bogus": 1}, If_Match=tag) for tag in TAGS]
        assert changes() == before
        assert min(one.status_code for one in told) >= 400, route.name
        if route.name not in BYTES:
            unfit = [one.json()["errors"] for one in told if one.status_code == 422]
            assert unfit, (route.name, "no tag is the one of the thing")
            assert "bogus" in str(unfit), route.name


def test_a_dry_run_where_there_is_none_stores_nothing(machine: Asker) -> None:
    body = {"name": "Meadow", "time_zone": "Europe/Madrid"}
    answer = machine.ask("POST", "/properties?dry_run=true", body)
    assert answer.status_code == 422
    assert "dry_run" in answer.json()["errors"][0]["parameter"]
    assert machine.get("/properties").json()["items"] == []
