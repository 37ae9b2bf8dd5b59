"""Reporting on a property, and what is done with a call on its page."""

from __future__ import annotations

import datetime as dt
import re

import pytest
import time_machine
from django.test import Client

from core.accounts.actor import Actor
from faults.models import FaultCall, FaultEvent, Trace
from faults.services.calls import Where, call_open
from sites.models import WirePath
from sites.services.controllers import ControllerDetails, controller_create
from sites.services.properties import PropertyDetails, property_create
from tests.faults.places import path_at_new_place
from tests.pages.conftest import posted_fields, text_of


@pytest.fixture
def path(by: Actor) -> WirePath:
    return path_at_new_place(by)


@pytest.fixture
def call(path: WirePath, by: Actor) -> FaultCall:
    return call_open(where=Where.of_path(path), by=by)


def report_fields(browser: Client, path: WirePath) -> dict[str, str]:
    page = browser.get(f"/properties/{path.controller.property.public_id}")
    form = page.context["form"]
    at = re.search(r'name="at" value="([^"]*)"', page.content.decode())
    assert at is not None
    return {
        "external_id": form["external_id"].value(),
        "at": at[1],
        "kind": "overcurrent",
        "path": path.public_id,
        "note": "",
    }


def test_an_overcurrent_reported_on_the_page_opens_a_call_once(
    browser: Client, path: WirePath
) -> None:
    address = f"/properties/{path.controller.property.public_id}"
    fields = report_fields(browser, path)
    first, second = browser.post(address, fields), browser.post(address, fields)
    call = FaultCall.objects.get()
    assert first["Location"] == second["Location"] == f"/calls/{call.public_id}"
    assert (FaultEvent.objects.count(), call.overcurrents) == (1, 1)
    again = report_fields(browser, path)
    browser.post(address, again)
    call.refresh_from_db()
    assert call.overcurrents == 2


def test_the_time_of_a_report_is_that_of_the_property(browser: Client, path: WirePath) -> None:
    fields = report_fields(browser, path) | {"at": "2026-01-15T08:30"}
    browser.post(f"/properties/{path.controller.property.public_id}", fields)
    # Madrid is one hour ahead in winter.
    assert FaultEvent.objects.get().at.isoformat() == "2026-01-15T07:30:00+00:00"


def test_a_report_begins_with_the_hour_of_the_property_and_no_kind(
    browser: Client, path: WirePath
) -> None:
    with time_machine.travel(dt.datetime(2026, 1, 15, 7, 30, tzinfo=dt.UTC), tick=False):
        answer = browser.get(f"/properties/{path.controller.property.public_id}")
    page = answer.content.decode()
    assert 'value="2026-01-15T08:30"' in page
    assert '<option value="" selected>' in page


def test_a_report_that_does_not_fit_loses_nothing_typed(browser: Client, path: WirePath) -> None:
    fields = report_fields(browser, path) | {"at": "soon", "note": "by the <gate>"}
    answer = browser.post(f"/properties/{path.controller.property.public_id}", fields)
    assert answer.status_code == 422
    page = answer.content.decode()
    assert "This is no time" in page
    assert 'value="by the &lt;gate&gt;"' in page
    assert not FaultEvent.objects.exists()


def test_a_trace_begins_once_and_goes_on(browser: Client, call: FaultCall) -> None:
    address = f"/calls/{call.public_id}/trace"
    fields = {"coil_r": "40", "coil_x": "100", "percent": "2"}
    first = browser.post(address, fields)
    trace = Trace.objects.get()
    assert first["Location"] == f"/traces/{trace.public_id}"
    assert trace.known == {"series_coil_ohm": [40.0, 100.0], "meter": {"percent": 2.0}}
    assert browser.post(address)["Location"] == first["Location"]
    assert "Go on tracing" in text_of(browser.get(f"/calls/{call.public_id}"))


def test_half_a_coil_is_refused_at_its_field(browser: Client, call: FaultCall) -> None:
    answer = browser.post(f"/calls/{call.public_id}/trace", {"coil_r": "40"})
    assert answer.status_code == 422
    assert "Give both figures of the coil" in text_of(answer)
    assert 'value="40"' in answer.content.decode()
    assert not Trace.objects.exists()


def test_closing_wants_a_reason_and_keeps_what_was_chosen(browser: Client, call: FaultCall) -> None:
    address = f"/calls/{call.public_id}/move"
    fields = posted_fields(browser.get(f"/calls/{call.public_id}"), "/move")
    chosen = fields | {"to": "closed", "outcome": "other", "why": ""}
    refused = browser.post(address, chosen)
    assert refused.status_code == 422
    assert "wants a reason" in text_of(refused)
    assert '<option value="other" selected>' in refused.content.decode()
    assert browser.post(address, chosen | {"why": "the owner mended it"}).status_code == 302
    call.refresh_from_db()
    assert (call.state, call.outcome) == ("closed", "other")
    assert "the owner mended it" in text_of(browser.get(f"/calls/{call.public_id}"))


def test_of_two_who_move_a_call_the_second_is_told(browser: Client, call: FaultCall) -> None:
    address = f"/calls/{call.public_id}/move"
    fields = posted_fields(browser.get(f"/calls/{call.public_id}"), "/move")
    browser.post(address, fields | {"to": "planned"})
    answer = browser.post(address, fields | {"to": "cancelled", "why": "not ours"})
    assert answer.status_code == 412
    assert "Technician moved it" in text_of(answer)
    assert 'value="not ours"' in answer.content.decode()
    call.refresh_from_db()
    assert call.state == "planned"


def test_a_call_without_a_path_asks_for_it_before_tracing(
    browser: Client, path: WirePath, by: Actor
) -> None:
    place = path.controller.property
    other = controller_create(place=place, details=ControllerDetails(name="South"), by=by)
    call = call_open(where=Where(place, other), by=by)
    page = browser.get(f"/calls/{call.public_id}")
    assert "Which two-wire path is it about?" in text_of(page)
    assert "Start the trace" not in text_of(page)
    fields = posted_fields(page, "/path") | {"path": path.public_id}
    browser.post(f"/calls/{call.public_id}/path", fields)
    call.refresh_from_db()
    assert call.path_id == path.pk
    assert "Start the trace" in text_of(browser.get(f"/calls/{call.public_id}"))


@pytest.mark.parametrize(
    "hostile",
    [
        "<script>alert(1)</script>",
        '"><img src=x onerror=alert(1)>',
        "{{ 7|add:7 }}{% now 'Y' %}",
        "javascript:alert(1)",
        "]]></svg><script>",
    ],
)
def test_hostile_names_are_shown_as_text(browser: Client, by: Actor, hostile: str) -> None:
    details = PropertyDetails(name=hostile, time_zone="Europe/Madrid", access_note=hostile)
    place = property_create(details=details, by=by)
    controller = controller_create(place=place, details=ControllerDetails(name=hostile), by=by)
    call = call_open(where=Where(place, controller), by=by)
    own = (f"/properties/{place.public_id}", f"/calls/{call.public_id}")
    for address in ("/", "/properties", *own):
        answer = browser.get(address)
        assert "<script>alert" not in answer.content.decode()
        assert "<img src=x" not in answer.content.decode()
        assert hostile in text_of(answer) or "<" in hostile


def test_a_search_for_properties_keeps_those_that_fit(browser: Client, by: Actor) -> None:
    for name, address in (("Mill Green", "1 Mill Lane"), ("Tarn Court", "9 Weir Road")):
        details = PropertyDetails(name=name, time_zone="UTC", address=address)
        property_create(details=details, by=by)
    found = text_of(browser.get("/properties", {"name": "weir"}))
    assert "Tarn Court" in found
    assert "Mill Green" not in found
    assert "No property has “xyz”" in text_of(browser.get("/properties", {"name": "xyz"}))


def test_a_path_is_shown_with_its_figures_and_an_older_map(browser: Client, path: WirePath) -> None:
    page = text_of(browser.get(f"/paths/{path.public_id}"))
    assert "Lowest voltage" in page
    assert "Controller trips at" in page
    assert browser.get(f"/paths/{path.public_id}?revision=1").status_code == 200
    assert browser.get(f"/paths/{path.public_id}?revision=7").status_code == 404
    assert browser.get(f"/paths/{path.public_id}?revision=x").status_code == 422
    assert "segment" not in page.lower(), "pages say cable run"
