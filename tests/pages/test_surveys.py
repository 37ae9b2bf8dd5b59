"""Taking surveys in on pages."""

from __future__ import annotations

import json
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from core.accounts.actor import Actor
from core.models import Person
from sites.models import Controller, WirePath
from sites.pages import surveys
from sites.services.path_imports import path_import
from tests.pages.conftest import entered, posted_fields, text_of
from tests.sites.conftest import controller, place
from tests.sites.surveys import straight_survey

__all__ = ["controller", "place"]


@pytest.fixture
def office(supervisor: Person) -> Client:
    return entered(supervisor)


def file_of(survey: Any) -> SimpleUploadedFile:
    text = survey if isinstance(survey, bytes) else json.dumps(survey).encode()
    return SimpleUploadedFile("survey.json", text, "application/json")


def looked_at(office: Client, where: str, survey: Any, **more: str) -> Any:
    sent = posted_fields(office.get(where), "/survey") | more | {"do": "look"}
    return office.post(where, sent | {"content": file_of(survey)})


def test_a_first_survey_is_looked_at_and_then_taken_in_as_it_was_sent(
    office: Client, controller: Controller
) -> None:
    where = f"/controllers/{controller.public_id}/survey"
    assert where in office.get(f"/properties/{controller.property.public_id}").content.decode()
    look = looked_at(office, where, straight_survey(3), label="Lawn")
    assert look.status_code == 200
    assert "Devices, new: 3 (D1, D2, D3)" in text_of(look)
    assert "Nothing is stored yet" in text_of(look)
    assert not WirePath.objects.exists()
    taken = office.post(where, posted_fields(look, "/survey") | {"do": "import", "label": "Lawn"})
    path = WirePath.objects.get()
    assert taken["Location"] == f"/paths/{path.public_id}"
    assert (path.label, path.revision) == ("Lawn", 1)
    again = office.post(where, posted_fields(look, "/survey") | {"do": "import", "label": "Lawn"})
    assert again.status_code == 409
    assert "has a wire path 'Lawn' already" in text_of(again)


def test_a_newer_survey_tells_what_differs_and_makes_a_revision(
    office: Client, controller: Controller, by: Actor
) -> None:
    path = path_import(controller=controller, survey=straight_survey(3), by=by).path
    assert path is not None
    where = f"/paths/{path.public_id}/survey"
    assert where in office.get(f"/paths/{path.public_id}").content.decode()
    same = looked_at(office, where, straight_survey(3))
    assert "Nothing: the survey says what the map says." in text_of(same)
    assert "Import it" not in text_of(same)
    newer = straight_survey(4)
    newer["path"]["trip_ma"] = 1200
    newer["devices"][0]["draw_ma"] = 2.5
    look = looked_at(office, where, newer)
    page = text_of(look)
    assert "Devices, new: 1 (D4)" in page
    assert "Devices, changed: 1 (D1)" in page
    assert "Of the path itself: where the controller trips" in page
    fields = posted_fields(look, "/survey") | {"do": "import"}
    assert office.post(where, fields)["Location"] == f"/paths/{path.public_id}"
    path.refresh_from_db()
    assert path.revision == 2
    stale = office.post(where, fields)
    assert stale.status_code in (409, 412)
    assert "is at revision 2, not 1" in text_of(stale)


def test_every_defect_is_told_with_its_pointer_and_nothing_is_stored(
    office: Client, controller: Controller
) -> None:
    survey = straight_survey(3)
    survey["nodes"][1]["x_m"] = "far"
    survey["segments"][0]["to"] = "N9"
    where = f"/controllers/{controller.public_id}/survey"
    sent = {"revision": "0", "content": file_of(survey), "do": "import"}
    refused = office.post(where, sent)
    assert refused.status_code == 422
    assert "/nodes/1/x_m :" in text_of(refused).replace("x_m:", "x_m :")
    assert "/segments/0/to" in text_of(refused)
    for body, told in ((b"{", "JSON"), (b"", "empty"), (b"\xff\xfe", "UTF-8")):
        refused = office.post(where, sent | {"content": file_of(body)})
        assert refused.status_code == 422, body
        assert told in text_of(refused), body
    refused = office.post(where, {"revision": "0", "do": "look"})
    assert "Choose the file of the survey first" in text_of(refused)
    assert not WirePath.objects.exists()


def test_a_large_survey_is_not_carried_along_and_a_larger_one_is_refused(
    office: Client, controller: Controller, monkeypatch: pytest.MonkeyPatch
) -> None:
    where = f"/controllers/{controller.public_id}/survey"
    monkeypatch.setattr(surveys, "MOST_CARRIED", 100)
    look = looked_at(office, where, straight_survey(3))
    assert "choose it once more, then import it" in text_of(look)
    fields = posted_fields(look, "/survey")
    assert not fields.get("carried")
    monkeypatch.setattr(surveys, "MOST_BYTES", 1000)
    refused = looked_at(office, where, straight_survey(30))
    assert refused.status_code == 422
    assert "right: at most 1000" in text_of(refused)


def test_so_many_surveys_a_minute_and_no_more(
    office: Client, controller: Controller, monkeypatch: pytest.MonkeyPatch
) -> None:
    where = f"/controllers/{controller.public_id}/survey"
    monkeypatch.setattr(surveys, "MOST_A_MINUTE", 0)
    refused = looked_at(office, where, straight_survey(2))
    assert refused.status_code == 429


def test_technicians_are_shown_no_form(controller: Controller, technician: Person) -> None:
    page = entered(technician).get(f"/controllers/{controller.public_id}/survey")
    assert "Supervisors and owners take surveys in." in text_of(page)
    assert b'type="file"' not in page.content
