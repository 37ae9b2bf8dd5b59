"""The audit on paper: the same figures, and nothing fetched from elsewhere."""

from __future__ import annotations

import base64
import html
import io
import re
from dataclasses import dataclass
from typing import Any

import pytest
from pypdf import PdfReader

from core.accounts.actor import Actor
from core.clock import as_of, now
from core.jobs.child import ChildFailedError, ChildLimits, run_in_child
from core.models import Person
from faults.audit_exports import RAW, audit_csv
from faults.audit_question import AuditQuestion
from faults.history_snapshot import day_of
from faults.pages.audit_paper import audit_paper
from faults.selectors.audit import Audited, audit_of
from faults.services.audit_reports import LIMITS, report_ask, report_pdf
from tests.audit.comparison import differences, shown, table_of_csv
from tests.audit.history import told
from tests.audit.recompute import Question, Table, recomputed
from tests.pages.conftest import entered

pytestmark = pytest.mark.slow

SET = "faults.audit_pdf:set_pdf"


@dataclass
class Shown:
    """The audit as worked out by the product, anew, as its page and as its paper."""

    audited: Audited
    anew: dict[str, Table]
    page: str
    paper: str


def shown_everywhere(by: Actor, auditor: Person, question: AuditQuestion) -> Shown:
    """One audit as it is told everywhere, all as of one moment."""
    at = now()
    audited = audit_of(question, as_of=at)
    asked = Question(day_of(at), window=float(question.window_days), rule=question.same_place)
    raw = {name: audit_csv(audited.found, name) for name in RAW}
    report = report_ask(title="All of it", question=question, by=by)
    report.as_of = at
    pdf = PdfReader(io.BytesIO(report_pdf(report, audit_paper)))
    with as_of(at):
        page = entered(auditor).get("/audit", question.query()).content.decode()
    return Shown(
        audited, recomputed(raw, asked), page, "".join(one.extract_text() for one in pdf.pages)
    )


def assert_all_alike(found: Shown, most_rows: int = 60) -> int:
    """Every row of every figure: the CSV to all digits, page and paper as they round."""
    paper = _squeezed(found.paper)
    rows = 0
    for figure in found.audited.found.figures:
        anew = found.anew[figure.key]
        wrong = differences(table_of_csv(audit_csv(found.audited.found, figure.key)), anew)
        assert not wrong, f"{figure.key}:\n" + "\n".join(wrong[:10])
        on_page = _rows_of_page(found.page, figure.key)
        assert len(on_page) == len(figure.rows)
        for number, row in enumerate(figure.rows):
            cells = [
                str(row.cells[column.key])
                if column.measure == "text"
                else shown(anew[row.key][column.key], column.measure)
                for column in figure.columns
            ]
            assert on_page[number] == [row.label, *cells], figure.key
            if number < most_rows:
                assert _squeezed("".join([row.label, *cells])) in paper, (figure.key, row.label)
            rows += 1
    return rows


def _squeezed(text: str) -> str:
    return re.sub(r"\s+", "", text)


def _rows_of_page(page: str, figure: str) -> list[list[str]]:
    section = page.split(f'id="fig-{figure}"', 1)[1].split("</section>", 1)[0]
    body = section.partition("<tbody>")[2].partition("</tbody>")[0]
    rows = re.findall(r"<tr>(.*?)</tr>", body, re.DOTALL)
    cells = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.DOTALL) for row in rows]
    return [[html.unescape(re.sub(r"<[^>]+>", "", one)) for one in row] for row in cells]


@pytest.mark.django_db
def test_page_csv_and_paper_say_what_the_raw_rows_give(
    by: Actor, technician: Person, auditor: Person
) -> None:
    told(by, [technician])
    question = AuditQuestion(same_place="splices-1", window_days=100)
    assert assert_all_alike(shown_everywhere(by, auditor, question)) > 25


@pytest.mark.django_db
def test_names_that_are_markup_are_set_as_text(
    by: Actor, technician: Person, auditor: Person
) -> None:
    history = told(by, [technician])
    place = history.paths[0].controller.property
    place.name = '<img src="file:///etc/hostname">{{ 7|add:7 }}'
    place.save()
    report = report_ask(title="<script>1</script>", question=AuditQuestion(), by=by)
    paper = audit_paper(report, audit_of(AuditQuestion()))
    page = entered(auditor).get("/audit").content.decode()
    for told_by in (paper, page):
        assert '<img src="file' not in told_by
        assert "&lt;img src=" in told_by
        assert "{{ 7|add:7 }}" in told_by
    assert "<script>1" not in paper


def test_paper_fetches_nothing_from_elsewhere(tmp_path: Any) -> None:
    """A file of this machine, a server, a redirect: none of it gets onto the paper."""
    secret = tmp_path / "secret.txt"
    secret.write_text("the secret of this machine", encoding="utf-8")
    page = f"""<link rel="stylesheet" href="file://{secret}"><p>only this</p>
        <img src="http://127.0.0.1:9/x.png"><img src="file://{secret}">
        <object data="file://{secret}"></object><a rel="attachment" href="file://{secret}">x</a>"""
    answer = run_in_child(SET, {"html": page}, limits=LIMITS)
    content = base64.b64decode(answer["pdf"])
    pdf = PdfReader(io.BytesIO(content))
    assert pdf.pages[0].extract_text().split() == ["only", "this", "x"]
    assert not list(pdf.attachments)
    assert b"secret" not in content


def test_paper_is_set_within_its_limits() -> None:
    endless = "<p>row</p>" * 400_000
    with pytest.raises(ChildFailedError):
        run_in_child(SET, {"html": endless}, limits=ChildLimits(memory_mb=1536, time_s=4.0))
