"""A return test tells which legs draw more than when they were sound before."""

from __future__ import annotations

import pytest

from core.accounts.actor import system_actor
from core.models import Contractor
from core.tenancy.scope import contractor_scope
from sites.models import WirePath
from sites.selectors.paths import path_get
from tests.api.asking import Asker
from tests.api.test_repairs import a_repair, at, sound
from tests.faults.places import path_at_new_place


@pytest.fixture
def path(contractor: Contractor) -> WirePath:
    with contractor_scope(contractor.pk):
        return path_get(path_at_new_place(system_actor(contractor.pk, "tests")).public_id)


@pytest.fixture
def call(machine: Asker, path: WirePath) -> str:
    return str(machine.post("/calls", {"path": path.public_id}).json()["id"])


def test_a_return_test_tells_which_legs_have_risen(
    machine: Asker, call: str, path: WirePath
) -> None:
    a_repair(machine, call)
    at(machine, call, "return-testing")
    tests = f"/calls/{call}/return-tests"
    first = machine.post(tests, sound(path)).json()
    second = machine.post(tests, sound(path, 1.14)).json()
    assert (first["passed"], first["rises"], second["passed"]) == (True, [], True)
    read = {leg["leg"]: leg["current_ma"] for leg in second["legs"]}
    (rise,) = second["rises"]
    assert (rise["leg"], rise["now_ma"]) == ("S1", read["S1"])
    assert rise["before_ma"] == first["legs"][0]["current_ma"]
    records = machine.get(f"/wire-paths/{path.public_id}/sound-records").json()["items"]
    assert rise["before_at"] in {row["at"] for row in records}
    listed = machine.get(tests).json()["items"]
    assert [test["rises"] for test in listed] == [second["rises"], []]
