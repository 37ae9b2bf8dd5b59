"""The audit as people see and take it: who may, what opens, what is kept, what is another's."""

from __future__ import annotations

import datetime as dt
import html
import re
from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from core.accounts.actor import Actor, Role
from core.accounts.people import crew_create
from core.clock import now
from core.jobs.run import run_job
from core.models import Change, Contractor, Person
from core.tenancy.scope import contractor_scope
from faults.audit_exports import RAW
from faults.audit_question import AuditQuestion
from faults.models import AuditReport, SavedQuestion
from faults.pages.audit_urls import urlpatterns
from faults.selectors.audit import audit_of
from faults.services.audit_questions import question_save
from tests.api.asking import signed_in
from tests.audit.history import HOSTILE, Told, mended, told
from tests.conftest import person_of
from tests.faults.places import path_at_new_place
from tests.pages.conftest import entered, text_of

MOST_QUERIES = 21


@pytest.fixture(autouse=True)
def _files_of_their_own(settings: Any, tmp_path: Path) -> None:
    settings.MEDIA_ROOT = str(tmp_path / "media")


@pytest.fixture
def history(by: Actor, technician: Person) -> Told:
    return told(by, [technician])


def links_of(page: str) -> list[str]:
    """Links of counts to what stands behind them."""
    return [html.unescape(one) for one in re.findall(r'href="(/audit/events[^"]+)"', page)]


@pytest.mark.slow
def test_every_count_opens_to_as_many_events_each_with_a_page(
    history: Told, auditor: Person
) -> None:
    client = entered(auditor)
    page = client.get("/audit")
    assert page.status_code == 200
    assert "no-store" in page["Cache-Control"]
    links = re.findall(
        r'<a href="(/audit/events[^"]+)" aria-label="(\d+), [^"]*: show which">',
        page.content.decode(),
    )
    assert len(links) > 30
    followed: set[str] = set()
    for link, count in links:
        opened = client.get(html.unescape(link))
        assert opened.status_code == 200, link
        events = re.findall(r'<a class="go" href="(/[^"]+)"', opened.content.decode())
        assert len(events) == int(count), link
        followed |= set(events)
    assert {one.split("/")[1] for one in followed} == {"calls", "findings", "repairs", "parts"}
    for address in followed - {one for one in followed if one.startswith("/findings/")}:
        assert client.get(address).status_code == 200, address


def test_the_page_says_what_happened(history: Told, auditor: Person) -> None:
    words = text_of(entered(auditor).get("/audit?same_place=very&window_days=90"))
    # D5 failed again within 90 days; the part taken out was good; the quiet call came back.
    assert "Meadow Court" in words
    assert re.search(r"called back, closed without proof 1 1", words)
    assert re.search(r"North crew 5 1 0 2 ", words)
    assert "the very splice or segment" in words
    before = words.split("In the course of time")[0]
    assert before.count("Nothing of this within what was asked") == 1, "no night was run: no flag"


def test_figures_are_those_of_the_rows(history: Told, by: Actor) -> None:
    found = audit_of(AuditQuestion(same_place="very", window_days=90)).found
    closings = found.figure("closings")
    assert closings is not None
    row = closings.rows[0]
    assert row.cells["closed"] == 5
    assert row.cells["unproved"] == 1
    assert row.opens["back"] == tuple(history.calls[n].public_id for n in (0, 2))
    again = found.figure("by-crew")
    assert again is not None
    assert again.rows[0].opens["again"] == (history.repairs[0].public_id,)
    good = found.figure("parts-good")
    assert good is not None
    assert good.rows[0].opens["sound"] == (history.part.public_id,)
    nothing = found.figure("no-fault-found")
    assert nothing is not None
    came = nothing.row("unproved")
    assert came is not None
    assert came.opens["next"] == (history.calls[3].public_id,)


def test_the_audit_is_for_those_who_look_back(contractor: Contractor, by: Actor) -> None:
    question = question_save(name="Mine", question=AuditQuestion(), by=by)
    people = {role: entered(person_of(contractor, role, f"{role.value} walks")) for role in Role}
    for page in urlpatterns:
        address = "/" + re.sub(r"<[^>]+>", question.public_id, str(page.pattern))
        posts = page.name in {"audit-question-keep", "audit-question-drop", "audit-report-ask"}
        for role, client in people.items():
            answer = client.post(address, {}) if posts else client.get(address)
            if role is Role.TECHNICIAN:
                assert answer.status_code == 403, page.name
            else:
                assert answer.status_code not in (403, 500), (page.name, role)
        answer = Client().post(address) if posts else Client().get(address)
        assert answer.status_code == 302
        assert answer["Location"].startswith("/sign-in")


def test_another_contractor_sees_nothing_of_it(
    history: Told, other_contractor: Contractor, by: Actor
) -> None:
    question = question_save(name="Mine", question=AuditQuestion(), by=by)
    with contractor_scope(other_contractor.pk):
        theirs = person_of(other_contractor, Role.AUDITOR)
    client = entered(theirs)
    page = client.get("/audit")
    assert not links_of(page.content.decode())
    assert "Meadow Court" not in text_of(page)
    assert "Mine" not in text_of(page)
    for table in RAW:
        rows = client.get(f"/audit/rows.csv?table={table}").content.decode().splitlines()
        assert len(rows) == 1, table
    place = history.paths[0].controller.property.public_id
    assert client.get(f"/audit?property={place}").status_code == 422
    dropped = client.post(f"/audit/questions/{question.public_id}/drop", {"version": "1"})
    assert dropped.status_code == 404


def test_a_count_that_is_not_there_is_not_found(history: Told, auditor: Person) -> None:
    client = entered(auditor)
    for query in ("figure=x&row=y&column=z", "figure=closings&row=North crew&column=z"):
        assert client.get(f"/audit/events?{query}").status_code == 404
    assert client.get("/audit/rows.csv?table=../etc").status_code == 404


@pytest.mark.parametrize(
    "query",
    ["window_days=0", "window_days=x", "from_day=2025-13-01", "same_place=near", "crew=crew_0"],
)
def test_a_question_that_does_not_fit_is_said_at_its_field(query: str, auditor: Person) -> None:
    page = entered(auditor).get(f"/audit?{query}")
    assert page.status_code == 422
    assert 'class="wrong"' in page.content.decode()


def test_over_http_a_question_that_cannot_be_is_refused_where_it_is(owner: Person) -> None:
    asker = signed_in(owner)
    days = {"from_day": "2026-01-02", "until_day": "2026-01-01"}
    kept = asker.post("/audit-questions", {"name": "x", "asked": days}).json()
    assert [error["pointer"] for error in kept["errors"]] == ["/asked/until_day"]
    for address, parameter, words in (
        ("/audit?from_day=2026-01-02&until_day=2026-01-01", "until_day", "before the first day"),
        ("/audit/events?figure=x&row=y&column=z", "figure", "no figure"),
        ("/audit/table?table=x", "table", "there are closings, "),
    ):
        answer = asker.get(address)
        (error,) = answer.json()["errors"]
        assert (answer.status_code, error["parameter"]) == (422, parameter)
        assert words in error["detail"]


def test_questions_are_kept_once_and_taken_off(history: Told, auditor: Person, by: Actor) -> None:
    client = entered(auditor)
    kept = {"name": "Short window", "window_days": "90", "same_place": "very"}
    first = client.post("/audit/questions", kept)
    assert first.status_code == 302
    page = text_of(client.get(first["Location"]))
    assert "90 days after a repair" in page
    assert "Kept questions (1)" in page
    again = client.post("/audit/questions", kept, follow=True)
    assert "There is a question" in text_of(again)
    row = SavedQuestion.objects.get()
    stale = client.post(f"/audit/questions/{row.public_id}/drop", {"version": "7"})
    assert stale.status_code == 412
    for _ in range(2):
        dropped = client.post(f"/audit/questions/{row.public_id}/drop", {"version": "1"})
        assert dropped.status_code == 302
    row.refresh_from_db()
    assert row.withdrawn_at is not None
    assert client.post("/audit/questions", kept).status_code == 302
    assert SavedQuestion.objects.count() == 2


def test_a_csv_is_taken_with_formulas_disarmed_and_that_is_written_down(
    history: Told, auditor: Person, by: Actor
) -> None:
    answer = entered(auditor).get("/audit/rows.csv?table=raw-parts")
    assert answer["Content-Type"].startswith("text/csv")
    assert answer["Content-Disposition"].startswith("attachment")
    assert "'" + HOSTILE.replace('"', '""') in answer.content.decode()
    assert Change.objects.filter(action="audit.exported").count() == 1


def test_more_rows_cost_no_more_queries(history: Told, by: Actor) -> None:
    with CaptureQueriesContext(connection) as few:
        audit_of(AuditQuestion())
    for number in range(3):
        _once_more(by, number)
    with CaptureQueriesContext(connection) as many:
        audit_of(AuditQuestion())
    assert len(few) == len(many) == MOST_QUERIES


def _once_more(by: Actor, number: int) -> None:
    crew = crew_create(name=f"Crew {number}", members=[], by=by)
    yesterday = now() - dt.timedelta(days=1)
    mended(by, crew, path_at_new_place(by), {"device": "D2"}, yesterday)


@pytest.mark.slow
def test_a_report_is_made_by_its_job_and_handed_to_those_who_may(
    history: Told, auditor: Person, technician: Person, by: Actor
) -> None:
    client = entered(auditor)
    form = {"name": "A year", "window_days": "90", "same_place": "very"}
    for _ in range(2):
        assert client.post("/audit/reports/ask", {**form, "asked_at": _BEFORE}).status_code == 302
    report = AuditReport.objects.get()
    assert client.get(f"/audit/reports/{report.public_id}").status_code == 409
    assert "Queued" in text_of(client.get("/audit/reports"))
    assert run_job(report.job_id)
    report.refresh_from_db()
    assert report.made_at is not None
    got = client.get(f"/audit/reports/{report.public_id}")
    assert got["Content-Type"] == "application/pdf"
    assert got.content.startswith(b"%PDF-")
    assert len(got.content) == report.size_bytes
    refused = entered(technician).get(f"/audit/reports/{report.public_id}")
    assert refused.status_code == 403
    over_api = signed_in(auditor).get(f"/audit-reports/{report.public_id}/content")
    assert over_api.content == got.content


_BEFORE = "2020-01-01T00:00:00+00:00"
