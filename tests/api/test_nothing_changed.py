"""An edit that changes nothing writes nothing: no version, no entry of the record of changes."""

from __future__ import annotations

import pytest

from core.accounts.actor import system_actor
from core.models import Change, Contractor
from core.tenancy.scope import contractor_scope
from tests.api.asking import Asker
from tests.api.routes import ROUTES, Route
from tests.api.things import THINGS

PATCHED = [route for route in ROUTES if "PATCH" in route.methods]
NEEDS_A_MEMBER = {"visit"}
"""Of a visit one member alone can be changed, so that an empty edit is refused."""


def edits_of(document: dict[str, object], route: Route) -> list[dict[str, object]]:
    """Nothing at all, and what is there already."""
    words = {
        "property": ("name", "address"),
        "controller": ("name",),
        "person": ("name", "roles", "is_active"),
        "crew": ("name",),
        "call": ("note", "urgency"),
        "removed-part": ("cause",),
        "visit": ("is_locked",),
        "audit-question": ("name",),
    }[route.name]
    again = {word: document[word] for word in words}
    return [again] if route.name in NEEDS_A_MEMBER else [{}, again]


@pytest.mark.parametrize("route", PATCHED, ids=lambda one: one.name)
def test_an_edit_that_changes_nothing_writes_nothing(
    machine: Asker, contractor: Contractor, route: Route
) -> None:
    with contractor_scope(contractor.pk):
        address = route.at(THINGS[route.word](system_actor(contractor.pk, "tests")))
        there = machine.get(address)
        count = Change.objects.count()
        for edit in edits_of(there.json(), route):
            answer = machine.patch(address, edit, If_Match=there["ETag"])
            assert answer.status_code == 200, answer.content
            assert (answer["ETag"], answer.json()) == (there["ETag"], there.json())
            stale = machine.patch(address, edit, If_Match='"v99"')
            assert stale.status_code == 412
        assert Change.objects.count() == count
        if route.name in NEEDS_A_MEMBER:
            assert machine.patch(address, {}, If_Match=there["ETag"]).status_code == 422
