"""Around the repair over HTTP: from the repair to the closed call and the look at it wet."""

from __future__ import annotations

from typing import Any

import pytest

from core.accounts.actor import Role, system_actor
from core.models import Contractor
from core.tenancy.scope import contractor_scope
from faults.models import Photo, Repair
from faults.services import photos
from faults.transitions import WaitKind
from sites.models import WirePath
from sites.selectors.paths import path_get
from tests.api.asking import Answer, Asker, signed_in
from tests.api.pictures import png
from tests.api.test_query_budgets import queries
from tests.conftest import person_of
from tests.faults.places import path_at_new_place
from tests.repairs.field import readings_of

REMADE = {
    "kind": "splice",
    "minutes": 45,
    "at_place": {"device": "D5"},
    "parts": [{"name": "gel connector", "count": 2}],
    "splices_made": 2,
    "money": "12.50",
}
PICTURE = png(4, 3)


@pytest.fixture
def path(contractor: Contractor) -> WirePath:
    with contractor_scope(contractor.pk):
        return path_get(path_at_new_place(system_actor(contractor.pk, "tests")).public_id)


@pytest.fixture
def call(machine: Asker, path: WirePath) -> str:
    return str(machine.post("/calls", {"path": path.public_id}).json()["id"])


def moved(asker: Asker, call: str, to: str, **more: Any) -> Answer:
    tag = asker.get(f"/calls/{call}")["ETag"]
    return asker.post(f"/calls/{call}/moves", {"to": to} | more, If_Match=tag)


def at(asker: Asker, call: str, *states: str) -> None:
    for state in states:
        assert moved(asker, call, state).status_code == 201


def a_repair(asker: Asker, call: str) -> str:
    at(asker, call, "planned", "repairing")
    return str(asker.post(f"/calls/{call}/repairs", REMADE).json()["id"])


def upload(
    asker: Asker, repair: str, content: bytes, kind: str = "image/png", **more: str
) -> Answer:
    path = f"/repairs/{repair}/photos"
    return asker.ask("POST", path, content, Content_Type=kind, **more)


def sound(path: WirePath, factor: float = 1.0) -> dict[str, Any]:
    with contractor_scope(path.contractor_id):
        legs = readings_of(path, factor).legs
    rows = [{"leg": one.leg, "current_ma": one.current_ma} for one in legs]
    return {"legs": rows, "quiet_min": 6, "wet": False, "meter": {"percent": 2}}


def pointers(answer: Answer) -> set[str]:
    assert answer.status_code == 422, answer.json()
    return {error["pointer"] for error in answer.json()["errors"]}


def test_a_repair_is_written_down_while_it_is_made(machine: Asker, call: str) -> None:
    address = f"/calls/{call}/repairs"
    early = machine.post(address, REMADE)
    assert (early.status_code, early.json()["state"]) == (409, "reported")
    assert early.json()["legal"] == machine.get(f"/calls/{call}").json()["legal_moves"]
    at(machine, call, "planned", "repairing")
    first = machine.post(address, REMADE, Idempotency_Key="r1")
    again = machine.post(address, REMADE, Idempotency_Key="r1")
    assert (first.status_code, again["Idempotency-Replayed"]) == (201, "true")
    assert first.json() == again.json()
    (listed,) = machine.get(address).json()["items"]
    assert (listed["money"], listed["parts"]) == ("12.50", REMADE["parts"])
    hold = {"wet_days": 0, "energised_days": None, "messages": 0, "failed": False}
    assert machine.get(f"/repairs/{listed['id']}").json() == listed | {"hold": hold}
    (check,) = machine.get("/soak-checks").json()["items"]
    assert (check["repair"], check["state"]) == (listed["id"], "open")
    assert machine.get("/soak-checks?due=true").json()["items"] == []


@pytest.mark.parametrize(
    ("members", "pointer"),
    [
        ({"kind": "prayer"}, "/kind"),
        ({"minutes": -1}, "/minutes"),
        ({"minutes": "45"}, "/minutes"),
        ({"money": 12.5}, "/money"),
        ({"money": "12.505"}, "/money"),
        ({"at_place": {"device": "D99"}}, "/at_place/device"),
        ({"at_place": {"device": "D5", "splice": "J1"}}, "/at_place"),
        ({"at_place": {"controller": False}}, "/at_place/controller"),
        ({"parts": [{"name": "x"}, {"name": "y", "count": 0}]}, "/parts/1/count"),
        ({"parts": [{"title": "x"}]}, "/parts/0/title"),
        ({"splices": 2}, "/splices"),
    ],
)
def test_a_repair_that_does_not_fit(
    machine: Asker, call: str, members: dict[str, Any], pointer: str
) -> None:
    at(machine, call, "planned", "repairing")
    assert pointer in pointers(machine.post(f"/calls/{call}/repairs", REMADE | members))
    assert machine.get(f"/calls/{call}/repairs").json()["items"] == []


def test_a_photo_comes_back_as_it_was_and_only_to_be_saved(machine: Asker, call: str) -> None:
    repair = a_repair(machine, call)
    first = upload(machine, repair, PICTURE, Idempotency_Key="p1")
    again = upload(machine, repair, PICTURE, Idempotency_Key="p1")
    photo = first.json()
    assert (first.status_code, again.json()) == (201, photo)
    assert (photo["media_type"], photo["width_px"], photo["height_px"]) == ("image/png", 4, 3)
    assert (photo["repair"], photo["removed_part"]) == (repair, None)
    assert machine.get(f"/photos/{photo['id']}").json() == photo
    back = machine.get(f"/photos/{photo['id']}/content")
    assert (back.status_code, back.content) == (200, PICTURE)
    assert back["Content-Type"] == "image/png"
    assert back["X-Content-Type-Options"] == "nosniff"
    assert back["Content-Disposition"] == f'attachment; filename="{photo["id"]}.png"'
    assert len(machine.get(f"/repairs/{repair}").json()["photos"]) == 1


def test_what_is_no_picture_is_refused_and_leaves_nothing(
    machine: Asker, call: str, contractor: Contractor, monkeypatch: pytest.MonkeyPatch
) -> None:
    repair = a_repair(machine, call)
    page = b"<html><script>1</script></html>"
    assert pointers(upload(machine, repair, page, "image/jpeg")) == {"/content"}
    assert pointers(upload(machine, repair, b"")) == {"/content"}
    other = upload(machine, repair, PICTURE, "image/svg+xml")
    assert (other.status_code, "image/webp" in other.json()["detail"]) == (415, True)
    assert upload(machine, repair, b"{}", "application/json").status_code == 415
    large = PICTURE + b"\x00" * photos.MOST_BYTES
    assert upload(machine, repair, large).status_code == 413
    monkeypatch.setattr(photos, "MOST_PHOTOS", 0)
    assert upload(machine, repair, PICTURE).status_code == 409
    with contractor_scope(contractor.pk):
        assert not Photo.objects.exists()


def test_a_photo_whose_file_is_lost_is_gone(machine: Asker, call: str, settings: Any) -> None:
    photo = upload(machine, a_repair(machine, call), PICTURE).json()["id"]
    settings.MEDIA_ROOT = f"{settings.MEDIA_ROOT}-elsewhere"
    assert machine.get(f"/photos/{photo}/content").status_code == 410


def test_a_removed_part_is_known_by_its_tag_and_looked_into(machine: Asker, call: str) -> None:
    repair = a_repair(machine, call)
    body = {"tag": "T-7", "what": "decoder", "at_place": {"device": "D5"}, "repair": repair}
    part = machine.post(f"/calls/{call}/removed-parts", body)
    assert (part.status_code, part.json()["cause"]) == (201, "unknown")
    twice = machine.post(f"/calls/{call}/removed-parts", body)
    assert (twice.status_code, twice.json()["part"]) == (409, part.json()["id"])
    address, tag = f"/removed-parts/{part.json()['id']}", part["ETag"]
    assert machine.patch(address, {"cause": "water"}).status_code == 428
    seen = machine.patch(address, {"cause": "water", "cause_note": "green"}, If_Match=tag)
    assert (seen.json()["cause"], seen.json()["bench_at"]) == ("water", None)
    assert machine.patch(address, {"cause": "surge"}, If_Match=tag).status_code == 412
    tested = machine.patch(address, {"bench_result": "faulty"}, If_Match=seen["ETag"]).json()
    assert (tested["cause_note"], tested["bench_at"] is None) == ("green", False)
    photo = f"{address}/photos?moment=after-opening"
    added = machine.ask("POST", photo, PICTURE, Content_Type="image/png").json()
    assert (added["removed_part"], added["moment"]) == (part.json()["id"], "after-opening")
    wrong = machine.ask("POST", f"{address}/photos", PICTURE, Content_Type="image/png")
    assert wrong.json()["errors"][0]["parameter"] == "moment"
    assert machine.get(address).json()["photos"][0]["id"] == added["id"]
    assert machine.get(f"/calls/{call}/removed-parts").json()["items"][0]["repair"] == repair


def test_a_call_closes_on_its_return_test_and_opens_when_the_repair_fails_wet(
    machine: Asker, call: str, path: WirePath
) -> None:
    repair = a_repair(machine, call)
    tests = f"/calls/{call}/return-tests"
    early = machine.post(tests, sound(path))
    assert (early.status_code, "return-testing" in early.json()["legal"]) == (409, True)
    at(machine, call, "return-testing")
    closing = {"outcome": "repaired", "why": "splice made anew"}
    assert pointers(moved(machine, call, "closed", **closing)) == {"/untested_why"}
    failed = machine.post(tests, sound(path, 4.0))
    assert (failed.status_code, failed.json()["passed"]) == (201, False)
    assert "by the prediction" in failed.json()["failures"][0]
    passed = machine.post(tests, sound(path), Idempotency_Key="t1").json()
    assert machine.post(tests, sound(path), Idempotency_Key="t1").json() == passed
    assert (passed["passed"], passed["meter"]["percent"]) == (True, 2)
    assert {leg["within"] for leg in passed["legs"]} == {True}
    listed = machine.get(tests).json()["items"]
    assert [row["id"] for row in listed] == [passed["id"], failed.json()["id"]]
    records = machine.get(f"/wire-paths/{path.public_id}/sound-records").json()["items"]
    assert {row["taken_at"] for row in records} == {"return-test"}
    closed = moved(machine, call, "closed", **closing).json()
    assert (closed["state"], closed["closing_test"]) == ("closed", passed["id"])
    (check,) = machine.get("/soak-checks").json()["items"]
    address = f"/soak-checks/{check['id']}"
    tag = machine.get(address)["ETag"]
    assert machine.post(f"{address}/done", {"state": "held"}).status_code == 428
    assert pointers(machine.post(f"{address}/done", {"state": "failed"}, If_Match=tag)) == {"/note"}
    wet = {"state": "failed", "note": "trips when wet"}
    assert machine.post(f"{address}/done", wet, If_Match=tag).json()["state"] == "failed"
    assert machine.post(f"{address}/done", wet, If_Match=tag).status_code == 412
    now_tag = machine.get(address)["ETag"]
    assert machine.post(f"{address}/done", wet, If_Match=now_tag).status_code == 409
    assert machine.get("/soak-checks").json()["items"] == []
    assert len(machine.get("/soak-checks?with_done=true").json()["items"]) == 1
    assert machine.get(f"/calls/{call}").json()["state"] == "reported"
    assert machine.get(f"/repairs/{repair}").json()["failures"][0]["call"] == call


def test_a_repair_that_did_not_hold_is_said_once(
    machine: Asker, call: str, contractor: Contractor
) -> None:
    repair = a_repair(machine, call)
    body = {"call": call, "why": "tripped the next day"}
    for _ in range(2):
        answer = machine.post(f"/repairs/{repair}/failures", body)
        assert (answer.status_code, len(answer.json()["failures"])) == (201, 1)
    assert answer.json()["hold"]["failed"] is True
    with contractor_scope(contractor.pk):
        by = system_actor(contractor.pk, "tests")
        elsewhere = path_at_new_place(by).public_id
    other = machine.post("/calls", {"path": elsewhere}).json()["id"]
    answer = machine.post(f"/repairs/{repair}/failures", body | {"call": other})
    assert pointers(answer) == {"/call"}


def test_many_repairs_cost_no_more_queries_than_one(
    machine: Asker, call: str, contractor: Contractor
) -> None:
    repair = a_repair(machine, call)
    upload(machine, repair, PICTURE)
    machine.post(f"/calls/{call}/removed-parts", {"tag": "T", "what": "x", "repair": repair})
    addresses = [f"/calls/{call}/repairs", f"/calls/{call}/removed-parts", "/soak-checks"]
    few = [queries(lambda path=path: machine.get(path)) for path in addresses]  # type: ignore[misc]
    for number in range(5):
        more = machine.post(f"/calls/{call}/repairs", REMADE).json()["id"]
        upload(machine, more, PICTURE)
        body = {"tag": f"T-{number}", "what": "x", "repair": more}
        machine.post(f"/calls/{call}/removed-parts", body)
    with contractor_scope(contractor.pk):
        assert Repair.objects.count() == 6
    assert [queries(lambda path=path: machine.get(path)) for path in addresses] == few  # type: ignore[misc]


def test_what_is_left_is_answered_for_on_leaving(machine: Asker, call: str, path: WirePath) -> None:
    address = f"/wire-paths/{path.public_id}/as-left"
    thing = {"call": call, "kind": "lid-up", "name": "J1", "note": "grass cut around it"}
    item = machine.post(address, thing)
    assert (item.status_code, item.json()["kept_why"]) == (201, "")
    assert machine.post(address, thing).json()["id"] == item.json()["id"]
    assert machine.get(address).json()["items"] == [item.json()]
    refused = moved(machine, call, "planned")
    assert refused.status_code == 422
    assert [row["item"] for row in refused.json()["as_left"]] == [item.json()["id"]]
    kept = {"item": item.json()["id"], "answer": "kept"}
    assert pointers(moved(machine, call, "planned", left=[kept])) == {"/left/0/why"}
    kept["why"] = "back tomorrow"
    assert moved(machine, call, "planned", left=[kept]).status_code == 201
    assert machine.get(address).json()["items"][0]["kept_why"] == "back tomorrow"
    restored = {"left": [{"item": item.json()["id"], "answer": "restored"}]}
    still = machine.post(f"/calls/{call}/as-left-answers", restored)
    assert (still.status_code, still.json()["items"]) == (201, [])
    said = machine.get(f"/calls/{call}/as-left-answers").json()["items"]
    assert [row["answer"] for row in said] == ["kept", "restored"]
    assert pointers(machine.post(f"/calls/{call}/as-left-answers", restored)) == {"/left/0/item"}


def test_a_thing_left_is_of_a_call_of_that_path(
    machine: Asker, call: str, contractor: Contractor
) -> None:
    with contractor_scope(contractor.pk):
        elsewhere = path_at_new_place(system_actor(contractor.pk, "tests")).public_id
    body = {"call": call, "kind": "power-off"}
    assert pointers(machine.post(f"/wire-paths/{elsewhere}/as-left", body)) == {"/call"}


def test_near_its_limit_a_call_asks_until_somebody_decides(
    machine: Asker, call: str, contractor: Contractor
) -> None:
    address = f"/calls/{call}/stop-questions"
    empty: dict[str, Any] = {"asks": False, "question": None, "answers": []}
    assert machine.get(address).json() == empty
    assert machine.post(address, {"choice": "go-on"}).status_code == 409
    technician = signed_in(person_of(contractor, Role.TECHNICIAN))
    assert technician.post(f"/calls/{call}/limits", {"minutes": 50}).status_code == 403
    both = machine.post(f"/calls/{call}/limits", {"minutes": 50, "money": "80"})
    assert pointers(both) == {"/minutes"}
    limit = machine.post(f"/calls/{call}/limits", {"minutes": 50})
    assert (limit.status_code, limit.json()["asks"]) == (201, False)
    a_repair(machine, call)
    asked = machine.get(address).json()
    assert (asked["asks"], asked["question"]["share"]) == (True, 0.9)
    assert [way["choice"] for way in asked["question"]["ways"]] == ["repair", "go-on", "renew"]
    decided = technician.post(address, {"choice": "go-on", "why": "agreed by phone"}).json()
    assert (decided["asks"], decided["answers"][0]["question"]) == (False, asked["question"])


def test_every_kind_of_waiting_is_taken(machine: Asker, call: str) -> None:
    for kind in WaitKind.values:
        waits = {"why": "see the note", "until": "2030-01-31", "wait_kind": kind}
        assert moved(machine, call, "waiting", **waits).json()["wait_kind"] == kind
        back = moved(machine, call, "planned")
        assert (back.json()["wait_kind"], back.json()["waits_until"]) == ("", None)
    assert pointers(moved(machine, call, "waiting", why="rain", wait_kind="luck")) == {"/wait_kind"}
