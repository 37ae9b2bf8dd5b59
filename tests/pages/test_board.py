"""The board: what stands first, whom it shows, and giving, waiting and waking from it."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client

from core.accounts.actor import Actor
from core.accounts.people import crew_create
from core.clock import as_of, now
from core.models import Crew, Person
from faults.left_things import LeftThing
from faults.models import AsLeftItem, FaultCall, LeftKind
from faults.services.as_left import as_left_add
from faults.services.call_details import CallDetails
from faults.services.calls import Where, call_open
from sites.models import WirePath
from tests.faults.places import path_at_new_place
from tests.pages.conftest import Entering, posted_fields, text_of
from tests.repairs.field import path_with_stations


@pytest.fixture
def path(by: Actor) -> WirePath:
    return path_with_stations(by)


@pytest.fixture
def call(path: WirePath, by: Actor) -> FaultCall:
    return call_open(where=Where.of_path(path), by=by)


@pytest.fixture
def crew(technician: Person, by: Actor) -> Crew:
    return crew_create(name="Van one", members=[technician], by=by)


def order_of(page: object) -> list[str]:
    return [row.call.public_id for row in page.context["rows"]]  # type: ignore[attr-defined]


def fresh(call: FaultCall) -> FaultCall:
    return FaultCall.objects.get(pk=call.pk)


def test_the_call_with_the_most_station_hours_stands_first(browser: Client, by: Actor) -> None:
    with as_of(now() - dt.timedelta(hours=1)):
        newer = call_open(where=Where.of_path(path_with_stations(by)), by=by)
    with as_of(now() - dt.timedelta(hours=9)):
        older = call_open(where=Where.of_path(path_with_stations(by)), by=by)
    page = browser.get("/board")
    assert order_of(page) == [older.public_id, newer.public_id]
    rows = page.context["rows"]
    stations = rows[0].dry.stations
    assert stations > 1
    assert rows[0].dry.station_hours == pytest.approx(9 * stations, rel=0.01)
    assert f"{stations} stations dry now" in text_of(page)


def test_it_shows_who_asks_for_a_state_or_for_somebody(
    browser: Client, call: FaultCall, crew: Crew, by: Actor
) -> None:
    other = call_open(where=Where.of_path(path_at_new_place(by)), by=by)
    fields = posted_fields(browser.get("/board"), f"{call.public_id}/assign")
    browser.post(f"/calls/{call.public_id}/assign", fields | {"to": f"crew:{crew.public_id}"})
    assert order_of(browser.get(f"/board?who=crew:{crew.public_id}")) == [call.public_id]
    assert order_of(browser.get("/board?who=nobody")) == [other.public_id]
    none = browser.get("/board?state=waiting")
    assert order_of(none) == []
    # The heading is about all open calls, whichever are shown.
    assert "2 open" in text_of(none)
    stations = browser.get("/board").context["stations"]
    assert none.context["stations"] == stations > 0
    assert len(order_of(browser.get("/board?state=reported"))) == 2


def test_a_call_is_given_once_and_the_board_comes_back(
    browser: Client, call: FaultCall, crew: Crew
) -> None:
    address = f"/calls/{call.public_id}/assign"
    fields = posted_fields(browser.get("/board"), "/assign") | {"to": f"crew:{crew.public_id}"}
    first, second = browser.post(address, fields), browser.post(address, fields)
    assert first["Location"] == second["Location"] == "/board"
    assert (fresh(call).crew, fresh(call).version) == (crew, call.version + 1)


def test_of_two_who_give_a_call_the_second_sees_who_was_first(
    browser: Client, call: FaultCall, crew: Crew, technician: Person
) -> None:
    address = f"/calls/{call.public_id}/assign"
    fields = posted_fields(browser.get("/board"), "/assign")
    browser.post(address, fields | {"to": f"crew:{crew.public_id}"})
    answer = browser.post(address, fields | {"to": f"person:{technician.public_id}"})
    assert answer.status_code == 412
    assert f"{technician.name} gave it to somebody" in text_of(answer)
    assert fresh(call).crew == crew
    again = posted_fields(answer, "/assign") | {"to": f"person:{technician.public_id}"}
    assert browser.post(address, again).status_code == 302
    assert fresh(call).person == technician


def test_waiting_wants_a_day_and_a_reason_and_keeps_what_was_typed(
    browser: Client, call: FaultCall
) -> None:
    address = f"/calls/{call.public_id}/wait"
    fields = posted_fields(browser.get(f"/calls/{call.public_id}/hand-on?from=board"), "/wait")
    half = fields | {"wait_kind": "parts", "until": "", "why": "two <splices>"}
    refused = browser.post(address, half)
    assert refused.status_code == 422
    assert "A call waits until a day" in text_of(refused)
    assert 'value="two &lt;splices&gt;"' in refused.content.decode()
    whole = half | {"until": "2030-04-01"}
    assert browser.post(address, whole)["Location"] == "/board"
    assert browser.post(address, whole).status_code == 302
    waiting = fresh(call)
    assert (waiting.state, waiting.wait_kind) == ("waiting", "parts")
    assert waiting.version == call.version + 1
    assert "Waits for parts until Mon 1 Apr" in text_of(browser.get("/board"))


def test_a_call_wakes_to_where_it_was(browser: Client, call: FaultCall) -> None:
    where = f"/calls/{call.public_id}"
    browser.post(f"{where}/move", posted_fields(browser.get(where), "/move") | {"to": "planned"})
    said = {"wait_kind": "access", "until": "2030-04-01", "why": "the gate is locked"}
    browser.post(f"{where}/wait", posted_fields(browser.get(f"{where}/hand-on"), "/wait") | said)
    fields = posted_fields(browser.get(f"{where}/hand-on"), "/wake")
    assert browser.post(f"{where}/wake", fields | {"why": "key came"})["Location"] == where
    assert browser.post(f"{where}/wake", fields | {"why": "key came"}).status_code == 302
    assert fresh(call).state == "planned"
    assert fresh(call).moves.count() == 4


def test_what_is_left_is_asked_for_before_a_call_waits(
    browser: Client, call: FaultCall, by: Actor
) -> None:
    lid = as_left_add(call=call, thing=LeftThing(LeftKind.LID_UP, "B5"), by=by)
    where = f"/calls/{call.public_id}"
    page = browser.get(f"{where}/hand-on")
    assert "Lid up or hole open at B5" in text_of(page)
    assert "fenced or covered" in text_of(page)
    fields = posted_fields(page, "/wait")
    fields |= {"wait_kind": "parts", "until": "2030-04-01", "why": "a lid"}
    refused = browser.post(f"{where}/wait", fields)
    assert refused.status_code == 422
    assert f'id="id_left_{lid.public_id}_error"' in refused.content.decode()
    kept = fields | {f"left_{lid.public_id}": "kept"}
    refused = browser.post(f"{where}/wait", kept)
    assert f'id="id_left_why_{lid.public_id}_error"' in refused.content.decode()
    assert fresh(call).state == "reported"
    kept |= {f"left_why_{lid.public_id}": "fenced"}
    assert browser.post(f"{where}/wait", kept).status_code == 302
    assert AsLeftItem.objects.get().kept_why == "fenced"


def test_a_promise_that_has_run_out_is_told(browser: Client, path: WirePath, by: Actor) -> None:
    details = CallDetails(promised_by=now() - dt.timedelta(hours=1))
    call_open(where=Where.of_path(path), details=details, by=by)
    assert "Promise run out" in text_of(browser.get("/board"))


def test_an_auditor_sees_the_board_and_can_change_nothing(
    enter: Entering, auditor: Person, call: FaultCall
) -> None:
    reader = enter(auditor)
    page = reader.get("/board")
    assert "Nobody has it yet" in text_of(page)
    assert "/assign" not in page.content.decode()
    answer = reader.post(f"/calls/{call.public_id}/assign", {"version": "1", "to": ""})
    assert answer.status_code == 403
