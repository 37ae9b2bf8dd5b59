"""What legs read over HTTP: which have risen, which cannot be so, which lie outside."""

from __future__ import annotations

import pytest

from core.accounts.actor import system_actor
from core.models import Contractor
from core.tenancy.scope import contractor_scope
from sites.models import WirePath
from sites.selectors.paths import path_get
from tests.api.asking import Asker
from tests.api.test_repairs import a_repair, at, pointers, sound
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


def test_a_soak_check_keeps_what_was_read_and_by_whom(
    machine: Asker, call: str, path: WirePath
) -> None:
    a_repair(machine, call)
    (check,) = machine.get("/soak-checks").json()["items"]
    assert (check["legs"], check["done_by_id"]) == ([], "")
    done, tag = (
        f"/soak-checks/{check['id']}/done",
        machine.get(f"/soak-checks/{check['id']}")["ETag"],
    )
    leg = sound(path)["legs"][0]["leg"]
    wet = {"state": "failed", "note": "trips when wet", "wet": True, "terminal_v": 21.0}
    none = wet | {"legs": [{"leg": leg}, {"leg": "S99", "current_ma": 1.0}]}
    assert pointers(machine.post(done, none, If_Match=tag)) == {"/legs/0", "/legs/1/leg"}
    dropped = {"state": "dropped", "note": "no time", "terminal_v": 24.0}
    assert pointers(machine.post(done, dropped, If_Match=tag)) == {"/state"}
    read = {"leg": leg, "current_ma": 950.0, "insulation_mohm": 0.02}
    told = machine.post(done, wet | {"legs": [read]}, If_Match=tag).json()
    assert (told["state"], told["terminal_v"], told["wet"]) == ("failed", 21.0, True)
    (row,) = told["legs"]
    assert row.items() >= (read | {"far_v": None, "within": False, "basis": "prediction"}).items()
    assert row["least_ma"] < sound(path)["legs"][0]["current_ma"] < row["most_ma"] < 950.0
    assert (told["terminal_v"] < told["least_terminal_v"], told["warnings"]) == (True, [])
    assert [words.split(" and ")[0] for words in told["outside"]] == [
        "the controller's terminals read 21 V",
        f"leg {leg} reads 950 mA",
        f"leg {leg} has 0.02 MΩ to earth; 1 MΩ or more is common practice",
    ]


def test_a_soak_check_is_judged_by_the_sound_record_and_closes_nothing(
    machine: Asker, call: str, path: WirePath
) -> None:
    legs = sound(path)["legs"]
    record = {"taken_at": "start-up", "legs": [leg | {"current_ma": 40.0} for leg in legs]}
    machine.post(f"/wire-paths/{path.public_id}/sound-records", record)
    a_repair(machine, call)
    (check,) = machine.get("/soak-checks").json()["items"]
    address = f"/soak-checks/{check['id']}"
    first = legs[0]["leg"]
    read = {"state": "held", "legs": [{"leg": first, "current_ma": 55.0, "far_v": 400.0}]}
    tag = machine.get(address)["ETag"]
    told = machine.post(f"{address}/done", read, If_Match=tag).json()
    (row,) = told["legs"]
    assert (told["state"], row["within"], row["basis"]) == ("held", False, "sound-record")
    assert 0.0 < row["least_ma"] < 40.0 < row["most_ma"] < 55.0
    assert (told["least_terminal_v"], len(told["outside"])) == (None, 1)
    (doubt,) = told["warnings"]
    assert doubt.startswith(f"Leg {first}: 400 V is more than the source has, about 35 V: look at")
    assert machine.get(f"/calls/{call}").json()["state"] == "repairing"
    assert machine.get(address).json() == told
    assert (told["done_by_kind"], told["done_by_name"]) == ("token", "gateway")
    assert told["done_by_id"].startswith("tok_")


def test_sound_records_tell_which_legs_have_risen(machine: Asker, path: WirePath) -> None:
    address = f"/wire-paths/{path.public_id}/sound-records"
    legs = sound(path)["legs"]
    first = machine.post(address, {"taken_at": "start-up", "legs": legs}).json()
    assert (len(first["records"]), first["rises"]) == (len(legs), [])
    risen = [leg | {"current_ma": leg["current_ma"] * 3} for leg in legs]
    second = machine.post(address, {"taken_at": "inspection", "legs": risen}).json()
    assert {rise["leg"] for rise in second["rises"]} == {leg["leg"] for leg in legs}
    doubted = [
        {"leg": legs[0]["leg"], "current_ma": 50_000.0, "coil": True},
        {"leg": legs[1]["leg"], "current_ma": 50_000.0, "far_v": 230.0},
    ]
    third = machine.post(address, {"taken_at": "inspection", "legs": doubted}).json()
    assert [words.split(", about")[0] for words in third["warnings"]] == [
        f"Leg {legs[0]['leg']}: 50000 mA is more than this source can send through the coil",
        f"Leg {legs[1]['leg']}: 50000 mA is more than the controller lets through",
        f"Leg {legs[1]['leg']}: 230 V is more than the source has",
    ]
    assert first["warnings"] == []
    assert len(machine.get(address).json()["items"]) == 2 * len(legs) + 2
    by_hand = machine.post(address, {"taken_at": "return-test", "legs": legs})
    assert pointers(by_hand) == {"/taken_at"}
    nothing = machine.post(address, {"taken_at": "inspection", "legs": [{"leg": "nope"}]})
    assert pointers(nothing) == {"/legs/0", "/legs/0/leg"}
