"""Audits on paper: asked for, made by a job in a process of its own, kept as files."""

from __future__ import annotations

import base64
import hashlib
import secrets
from collections.abc import Callable
from pathlib import Path

from django.conf import settings
from django.db import transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.jobs.ask import job_enqueue
from core.jobs.child import ChildLimits, run_in_child
from core.locking import lock_name
from core.models.jobs import Job, JobState
from core.problems import Conflict, Gone, IllegalMove
from core.text_checks import name_defects, refuse_defects
from faults.audit_question import AuditQuestion, question_of
from faults.models.audit import AuditReport
from faults.selectors.audit import Audited, audit_of

REPORT = "audit.report"
MOST_AT_ONCE = 5
"""Reports of a contractor that wait or are being made."""

LIMITS = ChildLimits(memory_mb=1536, time_s=240.0)


@transaction.atomic
def report_ask(*, title: str, question: AuditQuestion, by: Actor) -> AuditReport:
    """Ask for an audit as a PDF, as of now. Raises Invalid, Conflict where five are on the way."""
    refuse_defects("report", [*name_defects("/title", title, 120), *question.defects()])
    lock_name(f"audit reports of {by.contractor_id}")
    on_the_way = Job.objects.filter(kind=REPORT, state__in=(JobState.QUEUED, JobState.RUNNING))
    if on_the_way.count() >= MOST_AT_ONCE:
        raise Conflict(f"{MOST_AT_ONCE} reports are on the way: wait for one of them.")
    report = AuditReport(
        title=title, asked=question.document(), as_of=now(), by_id=by.public_id, by_name=by.name
    )
    report.job = job_enqueue(by=by, kind=REPORT, payload={"report": report.public_id})
    report.save()
    change_record(
        by=by,
        action="audit-report.asked",
        thing=("audit-report", report.public_id),
        after={"title": title, "asked": report.asked},
    )
    return report


def report_pdf(
    report: AuditReport,
    paper: Callable[[AuditReport, Audited], str],
    cancelled: Callable[[], bool] = lambda: False,
) -> bytes:
    """Work the audit out and set it as a PDF; ``paper`` gives its page as HTML.

    Setting runs in a child process with limits of memory and time, which can fetch nothing. Run
    outside a transaction. Raises ChildFailedError.
    """
    audited = audit_of(question_of(report.asked), as_of=report.as_of)
    answer = run_in_child(
        "faults.audit_pdf:set_pdf",
        {"html": paper(report, audited)},
        limits=LIMITS,
        cancelled=cancelled,
    )
    return base64.b64decode(answer["pdf"])


def report_keep(report: AuditReport, content: bytes) -> Path:
    """Write a report's file under a random name, before its row says so."""
    report.file_name = f"reports/{secrets.token_hex(1)}/{secrets.token_hex(20)}.pdf"
    path = _file(report)
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("xb") as file:
        file.write(content)
    return path


def report_made(report: AuditReport, content: bytes, by: Actor) -> None:
    """Say that a report's file is there, within the caller's transaction."""
    report.made_at = now()
    report.size_bytes = len(content)
    report.sha256 = hashlib.sha256(content).hexdigest()
    report.save()
    change_record(
        by=by,
        action="audit-report.made",
        thing=("audit-report", report.public_id),
        after={"size_bytes": report.size_bytes, "sha256": report.sha256},
    )


def report_content(report: AuditReport, by: Actor) -> bytes:
    """The PDF; who took it is written down. Raises IllegalMove before it is made, Gone where its
    file is lost."""
    if report.made_at is None:
        state = Job.objects.values_list("state", flat=True).get(pk=report.job_id)
        raise IllegalMove(
            f"The report is not made yet: its job is {state}.", extra={"state": state, "legal": []}
        )
    try:
        content = _file(report).read_bytes()
    except OSError:
        raise Gone(f"The file of the report {report.public_id} is not there.") from None
    export_told(report.public_id, by)
    return content


@transaction.atomic
def export_told(what: str, by: Actor) -> None:
    """Write down that somebody took an export of the audit with them."""
    change_record(by=by, action="audit.exported", thing=("audit-export", what))


def _file(report: AuditReport) -> Path:
    return Path(settings.MEDIA_ROOT) / report.file_name
