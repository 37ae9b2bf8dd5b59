"""Events, calls and traces over HTTP."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from core.accounts.actor import system_actor
from core.clock import now
from core.models import Contractor
from core.tenancy.scope import contractor_scope
from faults.forms.step import step_document, verdict_document
from sites.models import WirePath
from sites.selectors.paths import path_get
from tests.api.asking import Asker
from tests.faults.hunts import known_of, played_bodies, rehearsal_of
from tests.faults.places import path_at_new_place

REHEARSAL = rehearsal_of()


@pytest.fixture
def path(contractor: Contractor) -> WirePath:
    with contractor_scope(contractor.pk):
        made = path_at_new_place(system_actor(contractor.pk, "tests"), REHEARSAL.survey)
        return path_get(made.public_id)


def overcurrent(path: WirePath, **members: Any) -> dict[str, Any]:
    return {"kind": "overcurrent", "at": now().isoformat(), "path": path.public_id} | members


def test_an_overcurrent_opens_a_call_and_the_next_is_counted(
    machine: Asker, path: WirePath
) -> None:
    first = machine.post("/events", overcurrent(path)).json()
    second = machine.post("/events", overcurrent(path, current_ma=1800.5)).json()
    assert first["call"] == second["call"]
    assert second["current_ma"] == 1800.5
    assert second["source"]["kind"] == "token"
    call = machine.get(f"/calls/{first['call']}").json()
    assert (call["state"], call["overcurrents"]) == ("reported", 2)
    assert "tracing" in call["legal_moves"]
    events = machine.get(f"/calls/{first['call']}/events").json()["items"]
    assert [row["id"] for row in events] == [second["id"], first["id"]]
    moves = machine.get(f"/calls/{first['call']}/moves").json()["items"]
    assert [(row["from_state"], row["to_state"]) for row in moves] == [("", "reported")]


def test_an_event_told_again_is_the_same_event(machine: Asker, path: WirePath) -> None:
    body = overcurrent(path, external_id="g-1")
    first, again = machine.post("/events", body), machine.post("/events", body)
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json() == again.json()
    other = machine.post("/events", body | {"note": "other"})
    assert (other.status_code, other.json()["event"]) == (409, first.json()["id"])


@pytest.mark.parametrize(
    ("members", "pointer"),
    [
        ({"kind": "eclipse"}, "/kind"),
        ({"at": "2025-04-02T08:15:00"}, "/at"),
        ({"at": "yesterday"}, "/at"),
        ({"at": "2025-02-30T08:15:00Z"}, "/at"),
        ({"at": 1743581700}, "/at"),
        ({"at": "9999-01-01T00:00:00Z"}, "/at"),
        ({"at": "0001-01-01T00:00:00+23:59"}, "/at"),
        ({"current_ma": "12"}, "/current_ma"),
        ({"rain_mm": 3}, "/rain_mm"),
        ({"path": "prop_" + "0" * 26}, "/path"),
    ],
)
def test_an_event_that_does_not_fit(
    machine: Asker, path: WirePath, members: dict[str, Any], pointer: str
) -> None:
    answer = machine.post("/events", overcurrent(path) | members)
    assert answer.status_code == 422
    assert pointer in {error["pointer"] for error in answer.json()["errors"]}


def test_each_event_of_many_gets_its_own_answer(machine: Asker, path: WirePath) -> None:
    good = overcurrent(path, external_id="b-1")
    rows = [good, overcurrent(path, kind="x"), good, None, overcurrent(path), good | {"note": "z"}]
    answer = machine.post("/events/bulk", {"events": rows})
    assert answer.status_code == 200
    results = answer.json()["results"]
    assert [row["index"] for row in results] == list(range(6))
    states = [row["state"] for row in results]
    assert states == ["created", "refused", "replayed", "refused", "created", "refused"]
    assert results[0]["event"] == results[2]["event"]
    assert results[1]["problem"]["errors"][0]["pointer"] == "/kind"
    assert results[5]["problem"]["status"] == 409
    assert (answer.json()["created"], answer.json()["refused"]) == (2, 3)
    assert machine.post("/events/bulk", {"events": [good] * 1001}).status_code == 422


def test_a_call_moves_by_its_table_alone(machine: Asker, path: WirePath) -> None:
    call = machine.post("/calls", {"path": path.public_id, "urgency": "urgent"})
    assert call.json()["urgency"] == "urgent"
    address = f"/calls/{call.json()['id']}"
    assert machine.post(f"{address}/moves", {"to": "planned"}).status_code == 428
    tag = call["ETag"]
    illegal = machine.post(f"{address}/moves", {"to": "repairing"}, If_Match=tag)
    assert illegal.status_code == 409
    assert illegal.json()["legal"] == call.json()["legal_moves"]
    waiting = {"to": "waiting", "why": "utilities are to be marked", "until": "2030-01-31"}
    moved = machine.post(f"{address}/moves", waiting, If_Match=tag)
    assert (moved.status_code, moved.json()["waits_until"]) == (201, "2030-01-31")
    assert machine.post(f"{address}/moves", {"to": "planned"}, If_Match=tag).status_code == 412
    closing = {"to": "closed", "why": "was a fuse"}
    refused = machine.post(f"{address}/moves", closing, If_Match=moved["ETag"])
    assert refused.json()["errors"][0]["pointer"] == "/outcome"
    closed = machine.post(
        f"{address}/moves", closing | {"outcome": "other"}, If_Match=moved["ETag"]
    )
    assert closed.json()["outcome"] == "other"
    assert machine.get("/calls").json()["items"] == []
    assert len(machine.get("/calls?state=closed").json()["items"]) == 1


def test_more_reports_overtake_nobodys_edit(machine: Asker, path: WirePath) -> None:
    call = machine.post("/calls", {"path": path.public_id})
    address = f"/calls/{call.json()['id']}"
    tag = machine.get(address)["ETag"]
    machine.post("/events", overcurrent(path))
    assert machine.get(address, If_None_Match=tag).json()["overcurrents"] == 1
    edited = machine.patch(address, {"note": "gate code at the office"}, If_Match=tag)
    assert (edited.status_code, edited.json()["note"]) == (200, "gate code at the office")


def test_a_call_is_told_its_path_later(machine: Asker, path: WirePath) -> None:
    place = path.controller.property.public_id
    call = machine.post("/calls", {"property": place})
    address = f"/calls/{call.json()['id']}"
    assert machine.post("/traces", {"call": call.json()["id"]}).status_code == 409
    body = {"path": path.public_id, "urgency": "routine"}
    told = machine.patch(address, body, If_Match=call["ETag"])
    assert (told.json()["path"]["id"], told.json()["urgency"]) == (path.public_id, "routine")
    apart = machine.post("/calls", {"path": path.public_id, "property": "prop_" + "0" * 26})
    assert apart.status_code == 422
    assert machine.post("/calls", {}).json()["errors"][0]["pointer"] == "/path"


def begun(machine: Asker, path: WirePath) -> Any:
    call = machine.post("/calls", {"path": path.public_id}).json()
    answer = machine.post("/traces", {"call": call["id"], "known": known_of(REHEARSAL)})
    assert answer.status_code == 201, answer.json()
    return answer.json()


def sent(machine: Asker, trace: Any, number: int, body: Any, **members: Any) -> Any:
    moment = dt.datetime(2026, 3, 2, 8, number, tzinfo=dt.UTC).isoformat()
    told = {"client_id": f"o{number}", "client_seq": number, "client_at": moment}
    return machine.post(
        f"/traces/{trace['id']}/observations", told | {"observation": body} | members
    )


@pytest.mark.slow
def test_a_whole_trace_gives_the_steps_of_the_engine_and_proves(
    machine: Asker, path: WirePath
) -> None:
    played, bodies = played_bodies(REHEARSAL)
    trace = begun(machine, path)
    steps = [step_document(one.step) for one in played.steps]
    nexts = [*steps[1:], verdict_document(played.verdict)]
    assert machine.get(f"/traces/{trace['id']}/next").json() == steps[0]
    for number, (body, after) in enumerate(zip(bodies, nexts, strict=True), start=1):
        answer = sent(machine, trace, number, body)
        assert answer.status_code == 201, answer.json()
        assert answer.json()["next"] == after
        assert machine.get(f"/traces/{trace['id']}/next").json() == after
    done = machine.get(f"/traces/{trace['id']}").json()
    assert (done["outcome"], done["observation_count"]) == ("proved", len(bodies))
    found = machine.get(f"/findings?call={trace['call']}&proved=true").json()["items"]
    assert [row["at"] for row in found] == [nexts[-1]["found"][0]["at"]]
    assert len(machine.get(f"/findings/{found[0]['id']}").json()["basis"]) == len(bodies)
    assert machine.get(f"/calls/{trace['call']}").json()["state"] == "found"


def test_an_observation_is_taken_once_and_refused_with_the_step_again(
    machine: Asker, path: WirePath
) -> None:
    trace = begun(machine, path)
    first = machine.get(f"/traces/{trace['id']}/next").json()
    shown = {"do": "message", "shown": True}
    illegal = sent(machine, trace, 1, {"do": "reference", "current_ma": 147.0})
    assert illegal.status_code == 409
    assert illegal.json()["step"] == first
    assert "message" in illegal.json()["legal"]
    taken, again = sent(machine, trace, 1, shown), sent(machine, trace, 1, shown)
    assert (taken.status_code, again.status_code) == (201, 200)
    assert again.json() == taken.json() | {"replayed": True}
    other = sent(machine, trace, 1, {"do": "message", "shown": False})
    assert other.status_code == 409
    listed = machine.get(f"/traces/{trace['id']}/observations").json()["items"]
    assert [row["observation"] for row in listed] == [shown]


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"do": "dance"}, "/observation/do"),
        ({"do": "clamp", "node": "N1", "wire": "S1", "current_ma": "x"}, "/observation/current_ma"),
        ([], "/observation"),
        ("{}", "/observation"),
    ],
)
def test_an_observation_that_does_not_fit(
    machine: Asker, path: WirePath, body: Any, pointer: str
) -> None:
    answer = sent(machine, begun(machine, path), 1, body)
    assert answer.status_code == 422
    assert pointer in {error["pointer"] for error in answer.json()["errors"]}


def test_an_observation_is_withdrawn_and_a_trace_ended_by_hand(
    machine: Asker, path: WirePath
) -> None:
    trace = begun(machine, path)
    address = f"/traces/{trace['id']}"
    first = machine.get(f"{address}/next").json()
    sent(machine, trace, 1, {"do": "message", "shown": True})
    told = {"client_id": "u1", "client_seq": 2, "client_at": "2026-03-02T09:00:00Z"}
    undone = machine.post(f"{address}/voidings", told | {"voids": "o1", "why": "wrong path"})
    assert undone.status_code == 201
    assert undone.json()["next"]["do"] == first["do"]
    twice = told | {"client_id": "u2", "client_seq": 3, "voids": "o1"}
    (again,) = machine.post(f"{address}/voidings", twice).json()["errors"]
    assert (again["pointer"], "withdrawn already" in again["detail"]) == ("/voids", True)
    far = {"client_id": "o3", "client_seq": 3, "client_at": "2199-03-02T09:00:00Z"}
    body = far | {"observation": {"do": "message", "shown": True}}
    (warned,) = machine.post(f"{address}/observations", body).json()["warnings"]
    assert warned.startswith("By its client_at this was done on 2199-03-02")
    assert machine.post(f"{address}/end", {"why": "dark"}).status_code == 428
    tag = machine.get(address)["ETag"]
    assert machine.post(f"{address}/end", {"why": " "}, If_Match=tag).status_code == 422
    key = {"If_Match": tag, "Idempotency_Key": "e1"}
    ended = machine.post(f"{address}/end", {"why": "dark"}, **key)
    assert (ended.json()["outcome"], ended.json()["reason"]) == ("unproved", "dark")
    assert machine.post(f"{address}/end", {"why": "dark"}, **key).json() == ended.json()
    assert machine.get(f"{address}/next").json()["outcome"] == "unproved"
    assert machine.get("/traces?is_open=true").json()["items"] == []


def test_what_is_known_before_a_trace_is_checked(machine: Asker, path: WirePath) -> None:
    call = machine.post("/calls", {"path": path.public_id}).json()
    for known, pointer in (
        ({"meter": {"percent": -1}}, "/known/meter/percent"),
        ({"weather": "fine"}, "/known/weather"),
    ):
        answer = machine.post("/traces", {"call": call["id"], "known": known})
        assert answer.status_code == 422
        assert answer.json()["errors"][0]["pointer"] == pointer
    assert machine.get(f"/calls/{call['id']}").json()["state"] == "reported"


def test_a_trace_that_is_begun_twice_with_one_key_is_one(machine: Asker, path: WirePath) -> None:
    call = machine.post("/calls", {"path": path.public_id}).json()
    first = machine.post("/traces", {"call": call["id"]}, Idempotency_Key="t1")
    again = machine.post("/traces", {"call": call["id"]}, Idempotency_Key="t1")
    assert first.json() == again.json()
    refused = machine.post("/traces", {"call": call["id"]}, Idempotency_Key="t2")
    assert (refused.status_code, refused.json()["trace"]) == (409, first.json()["id"])
