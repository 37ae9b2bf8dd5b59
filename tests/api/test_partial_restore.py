"""Leaving a part off over HTTP so that the rest waters: proposed, said, taken back."""

from __future__ import annotations

from typing import Any

import pytest

from faults.selectors import partial_restores as reading
from faults.services import partial_restores as writing
from sites.models import WirePath
from tests.api.asking import Asker
from tests.api.test_repairs import call, path, pointers
from tests.faults.transactions import transactions_at

__all__ = ["call", "path"]


def test_the_rest_of_a_path_waters_beside_the_state(
    machine: Asker, call: str, path: WirePath
) -> None:
    address = f"/calls/{call}/partial-restore"
    tag = machine.get(f"/calls/{call}")["ETag"]
    body = {"left_off": [{"device": "D5"}], "stations_lost": [7], "least_device_v": 21.5}
    assert machine.post(address, body).status_code == 428
    done = machine.post(address, body, If_Match=tag)
    assert (done.status_code, done.json()["partly_restored"]) == (201, True)
    assert (done.json()["state"], done.json()["stations_dry"]) == ("reported", 1)
    assert machine.post(address, body, If_Match=tag).status_code == 412
    left = machine.get(f"/wire-paths/{path.public_id}/as-left").json()["items"]
    assert [(row["key"], bool(row["kept_why"])) for row in left] == [("isolated:device:D5", True)]
    on = machine.post(address, {"all_on": True}, If_Match=done["ETag"])
    assert on.json()["partly_restored"] is False
    twice = machine.post(address, {"all_on": True}, If_Match=on["ETag"])
    assert twice.status_code == 409
    assert [row["all_on"] for row in machine.get(address).json()["items"]] == [True, False]


def test_what_to_leave_off_is_proposed_and_can_be_said_as_proposed(
    machine: Asker, call: str, django_assert_max_num_queries: Any
) -> None:
    address = f"/calls/{call}/partial-restore"
    assert machine.get(f"{address}/proposal").status_code == 409, "nothing is suspected yet"
    asked = f"{address}/proposal?kind=device&place=D5"
    with django_assert_max_num_queries(16):
        proposal = machine.get(asked).json()
    assert (proposal["left_off"], proposal["devices_dry"]) == ([{"device": "D5"}], ["D5"])
    assert proposal["is_smallest"]
    assert [act["do"] for act in proposal["acts"]] == ["power", "part", "power", "read"]
    assert all(act["cautions"] for act in proposal["acts"])
    assert (proposal["stations_lost"], proposal["unnumbered_lost"]) == ([], 1)
    names = ("left_off", "stations_lost", "unnumbered_lost", "least_device_v")
    body = {name: proposal[name] for name in names}
    tag = machine.get(f"/calls/{call}")["ETag"]
    done = machine.post(address, body | {"is_predicted": True}, If_Match=tag)
    assert (done.status_code, done.json()["stations_dry"]) == (201, 1)
    assert machine.get(address).json()["items"][0]["unnumbered_lost"] == 1
    assert machine.get(address).json()["items"][0]["is_predicted"] is True


@pytest.mark.django_db(transaction=True)
def test_it_is_reckoned_outside_a_transaction_and_kept_within_one(
    machine: Asker, call: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The search takes up to some thousand solves, and may hold no lock meanwhile."""
    reckoned = transactions_at(monkeypatch, reading, "smallest_part_off")
    kept = transactions_at(monkeypatch, writing, "change_record")
    address = f"/calls/{call}/partial-restore"
    proposal = machine.get(f"{address}/proposal?kind=device&place=D5")
    assert (proposal.status_code, reckoned, kept) == (200, [False], [])
    tag = machine.get(f"/calls/{call}")["ETag"]
    body = {"left_off": proposal.json()["left_off"]}
    assert machine.post(address, body, If_Match=tag).status_code == 201
    assert (reckoned, kept) == ([False], [True])


@pytest.mark.parametrize(
    ("query", "name"),
    [
        ("kind=device", "place"),
        ("place=D5", "kind"),
        ("kind=leg&place=D5", "kind"),
        ("kind=device&place=D99", "place"),
    ],
)
def test_a_place_to_be_proposed_that_does_not_fit(
    machine: Asker, call: str, query: str, name: str
) -> None:
    refused = machine.get(f"/calls/{call}/partial-restore/proposal?{query}")
    assert refused.status_code == 422
    assert [error["parameter"] for error in refused.json()["errors"]] == [name]


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({}, "/left_off"),
        ({"left_off": []}, "/left_off"),
        ({"left_off": [{}]}, "/left_off/0"),
        ({"left_off": [{"leg": "S1", "device": "D5"}]}, "/left_off/0"),
        ({"left_off": [{"device": "D99"}]}, "/left_off/0/device"),
        ({"left_off": [{"controller": True}]}, "/left_off/0/controller"),
        ({"left_off": [{"device": "D5"}], "all_on": True}, "/left_off"),
        ({"left_off": [{"device": "D5"}], "stations_lost": [True]}, "/stations_lost/0"),
        ({"unnumbered_lost": 1, "all_on": True}, "/unnumbered_lost"),
    ],
)
def test_a_partial_restore_that_does_not_fit(
    machine: Asker, call: str, body: dict[str, Any], pointer: str
) -> None:
    tag = machine.get(f"/calls/{call}")["ETag"]
    answer = machine.post(f"/calls/{call}/partial-restore", body, If_Match=tag)
    assert pointer in pointers(answer)
