"""What a call's page offers next, whose it is, and what it says to what cannot be done any more."""

from __future__ import annotations

import re

import pytest
from django.test import Client

from core.accounts.actor import Actor
from core.accounts.people import crew_create
from core.clock import now
from core.models import Person
from faults.models import CallMove, FaultCall
from faults.services.calls import Where, call_assign, call_open
from sites.models import WirePath
from tests.faults.places import path_at_new_place
from tests.pages.conftest import text_of
from tests.repairs.field import moved, opened, path_with_stations, repaired, return_test


@pytest.fixture
def path(by: Actor) -> WirePath:
    return path_with_stations(by)


@pytest.fixture
def call(path: WirePath, by: Actor) -> FaultCall:
    return opened(by, path)


def main_of(browser: Client, call: FaultCall) -> list[str]:
    """What stands out on the page of a call: one button, or none."""
    page = browser.get(f"/calls/{call.public_id}").content.decode()
    return re.findall(r'class="(?:button )?main"[^>]*>([^<]*)<', page)


def test_one_button_stands_out_and_it_is_the_next_step(
    browser: Client, call: FaultCall, by: Actor
) -> None:
    assert main_of(browser, call) == ["Start the trace"]
    moved(call, "waiting", by)
    assert main_of(browser, call) == ["Wake it"]
    moved(call, "planned", by)
    assert main_of(browser, call) == ["Start the trace"]
    moved(call, "repairing", by)
    assert main_of(browser, call) == ["Write the repair down"]
    repaired(call, by)
    moved(call, "repairing", by)
    assert main_of(browser, call) == ["Write the repair down"], "the repair before did not do"
    repaired(call, by)
    assert main_of(browser, call) == ["Make the return test"]
    return_test(call, by, factor=9.0)
    assert main_of(browser, call) == ["Make the return test"]
    return_test(call, by)
    assert main_of(browser, call) == ["Close the call"]
    moved(call, "closed", by, outcome="repaired")
    assert main_of(browser, call) == []
    page = text_of(browser.get(f"/calls/{call.public_id}"))
    assert page.index("Repaired.") < page.index("Open it again") < page.index("Trace it")


def test_while_a_trace_is_under_way_nothing_but_it_stands_out(
    browser: Client, call: FaultCall, by: Actor
) -> None:
    browser.post(f"/calls/{call.public_id}/trace")
    assert main_of(browser, call) == ["Go on tracing"]
    moved(call, "waiting", by)
    assert main_of(browser, call) == ["Go on tracing"]


def test_what_is_given_to_me_or_my_crew_stands_first(
    browser: Client, technician: Person, by: Actor
) -> None:
    calls = [call_open(where=Where.of_path(path_at_new_place(by)), by=by) for _ in range(3)]
    crew = crew_create(name="Van one", members=[technician], by=by)
    other = crew_create(name="Van two", members=[], by=by)
    for call, to in zip(calls, (other, crew, technician), strict=True):
        call_assign(call=call, to=to, version=call.version, by=by)
    listed = browser.get("/").context["calls"]
    assert [row["call"].pk for row in listed] == [calls[1].pk, calls[2].pk, calls[0].pk]
    assert [row["is_own"] for row in listed] == [True, True, False]
    assert text_of(browser.get("/")).count("Yours") == 2
    assert "Yours" in text_of(browser.get(f"/properties/{calls[1].property.public_id}"))


def test_the_story_tells_to_whom_a_call_was_given(
    browser: Client, call: FaultCall, technician: Person, by: Actor
) -> None:
    crew = crew_create(name="Van one", members=[technician], by=by)
    for to in (crew, technician, None):
        call_assign(call=call, to=to, version=FaultCall.objects.get().version, by=by)
    told = text_of(browser.get(f"/calls/{call.public_id}"))
    story = told[told.index("Its story") :]
    lines = ("Given to Van one", f"Given to {technician.name}", "Taken from whoever had it")
    places = [story.index(line) for line in lines]
    assert places == sorted(places)
    assert f"Given to Van one {by.name}" in story
    assert "Given to Van one" in text_of(browser.get(f"/calls/{call.public_id}/hand-over"))


@pytest.fixture
def closed(call: FaultCall, by: Actor) -> FaultCall:
    return moved(call, "closed", by, outcome="not-present")


@pytest.mark.parametrize("to", ["planned", "waiting", "repairing", "return-testing", "found"])
def test_an_illegal_move_of_a_closed_call_is_told_plainly(
    browser: Client, closed: FaultCall, to: str
) -> None:
    said = {"version": str(closed.version), "to": to, "why": "as agreed"}
    if to == "waiting":
        said |= {"until": "2030-04-01", "wait_kind": "parts"}
    refused = browser.post(f"/calls/{closed.public_id}/move", said)
    assert_told(refused, closed, f"A call that is closed cannot become {to}.")


def test_a_closed_call_neither_waits_nor_closes_again(browser: Client, closed: FaultCall) -> None:
    where = f"/calls/{closed.public_id}"
    version = {"version": str(closed.version), "why": "the gate is locked"}
    waits = version | {"wait_kind": "access", "until": now().date().isoformat()}
    refused = browser.post(f"{where}/wait", waits)
    assert_told(refused, closed, "A call that is closed cannot become waiting.")
    refused = browser.post(f"{where}/close", version | {"outcome": "other"})
    assert_told(refused, closed, "A call that is closed cannot become closed.")
    for page in ("repair", "return-test", "restore"):
        told = text_of(browser.get(f"{where}/{page}")).lower()
        assert "the call is closed" in told, page


def assert_told(refused: object, closed: FaultCall, words: str) -> None:
    """The page says what cannot be and what can, and nothing has moved."""
    assert refused.status_code == 409  # type: ignore[attr-defined]
    told = text_of(refused)
    assert f"{words} It can become: reported, tracing." in told
    assert "Not taken yet." in told
    assert "Select a valid choice" not in told
    assert FaultCall.objects.get(pk=closed.pk).version == closed.version
    assert CallMove.objects.filter(call=closed).count() == 2
