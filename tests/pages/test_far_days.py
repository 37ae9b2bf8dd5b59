"""Days near the ends of the calendar, and text that nothing can keep, are refused where they are
told: what is shown to others is never broken by them."""

from __future__ import annotations

import base64
import datetime as dt
import json
from typing import Any

import pytest

from core.accounts.actor import Actor
from core.models import Person
from core.problems import Conflict, Invalid
from faults.audit_question import AuditQuestion
from faults.models import FaultCall, FaultEvent
from faults.services import audit_questions
from faults.services.audit_questions import question_save
from faults.services.events import EventReport, event_report
from faults.services.inspection_rules import LookRules, inspection_rules_set
from sites.models import WirePath
from sites.services.controllers import SeasonDays, season_set
from tests.api.asking import signed_in
from tests.faults.places import path_at_new_place
from tests.pages.conftest import entered

ENDS = ("0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z")


@pytest.fixture
def path(by: Actor) -> WirePath:
    return path_at_new_place(by)


@pytest.mark.parametrize("at", ENDS)
@pytest.mark.parametrize("member", ["promised_by", "since"])
def test_a_call_of_no_year_breaks_no_page(
    path: WirePath, technician: Person, supervisor: Person, member: str, at: str
) -> None:
    machine = signed_in(technician)
    answer = machine.post("/calls", {"path": path.public_id, member: at, "fold": True})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == f"/{member}"
    assert not FaultCall.objects.exists()
    for page in ("/", "/board", f"/properties/{path.controller.property.public_id}"):
        assert entered(supervisor).get(page).status_code == 200


def test_an_event_of_no_year_holds_no_other_up(
    path: WirePath, technician: Person, by: Actor
) -> None:
    good = {"kind": "rain", "at": "2026-03-02T08:00:00Z", "path": path.public_id}
    rows = [good | {"at": "0001-01-01T00:00:00Z"}, good]
    answer = signed_in(technician).post("/events/bulk", {"events": rows})
    assert answer.status_code == 200
    assert FaultEvent.objects.count() == 1
    moment = dt.datetime(1, 1, 1, tzinfo=dt.UTC)
    report = EventReport("rain", moment, path=path.public_id)
    with pytest.raises(Invalid):
        event_report(report=report, by=by)


@pytest.mark.parametrize("year", [1, 1899, 2200, 9999])
def test_seasons_holidays_and_audits_have_ordinary_days(
    path: WirePath, by: Actor, auditor: Person, year: int
) -> None:
    day = dt.date(year, 3, 1)
    controller = path.controller
    with pytest.raises(Invalid) as refused:
        season_set(controller=controller, version=1, seasons=[SeasonDays(day, day, "")], by=by)
    assert refused.value.defects[0].pointer == "/seasons/0/starts_on"
    rules = LookRules(5, 0.1, [dt.date(2026, 5, 1), day], None)
    with pytest.raises(Invalid) as refused:
        inspection_rules_set(rules=rules, version=0, by=by)
    assert refused.value.defects[0].pointer == "/holidays/1"
    browser = entered(auditor)
    assert browser.get(f"/audit?until_day={day.isoformat()}").status_code < 500
    answer = signed_in(auditor).get(f"/audit?until_day={day.isoformat()}")
    assert answer.status_code == 422


def test_the_pages_of_days_say_what_is_wrong(path: WirePath, owner: Person) -> None:
    browser = entered(owner)
    for text in ("9995-01-01", "0001-01-01 to 0001-03-01", "2026-01-01\n" * 500):
        for address in (f"/controllers/{path.controller.public_id}/seasons", "/inspections/rules"):
            sent = {"version": "0", "seasons": text, "holidays": text, "weekly_capacity": "3"}
            assert browser.post(address, sent).status_code == 422


def test_a_question_is_small_and_there_are_not_too_many(
    by: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    for wrong in ("x" * 2_000_000, "prop_\x00", "' or 1=1"):
        with pytest.raises(Invalid):
            question_save(name="Wide", question=AuditQuestion(property=wrong), by=by)
    monkeypatch.setattr(audit_questions, "MOST_QUESTIONS", 1)
    question_save(name="One", question=AuditQuestion(), by=by)
    with pytest.raises(Conflict, match="withdraw"):
        question_save(name="Two", question=AuditQuestion(), by=by)


def cursor(*mark: Any) -> str:
    return base64.urlsafe_b64encode(json.dumps(mark).encode()).decode().rstrip("=")


def test_what_no_database_keeps_is_refused(path: WirePath, technician: Person) -> None:
    browser, machine = entered(technician), signed_in(technician)
    call = machine.post("/calls", {"path": path.public_id}).json()["id"]
    assert browser.get("/properties?name=a%00b").status_code == 422
    assert browser.post(f"/calls/{call}/path", {"path": "a\x00b"}).status_code == 422
    assert browser.post(f"/calls/{call}/soak", {"check": "\x00"}).status_code == 422
    long = {"path": path.public_id, "version": "9" * 5000}
    assert browser.post(f"/calls/{call}/path", long).status_code < 500
    for value in ("\ud800", "0001-01-01 00:00:00+14:00", "9999-12-31 23:59:59-12:00", "2026-01-01"):
        mark = cursor("created_at", value, 1)
        answer = machine.get(f"/properties?sort=created_at&cursor={mark}")
        assert answer.status_code == 422, value
    half = cursor("name", chr(0xD800), 1)
    assert machine.get(f"/properties?sort=name&cursor={half}").status_code == 422
