"""Kept questions, and audits on paper."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST, require_safe

from core.accounts.actor import Actor
from core.attachment import attachment
from core.pages.access import audit_page
from core.problems import Conflict, Stale
from faults.audit_question import AuditQuestion, question_of
from faults.pages.fields import OnceForm
from faults.selectors.audit_asked import (
    audit_report_get,
    audit_report_list,
    saved_question_get,
)
from faults.services.audit_questions import question_save, question_withdraw
from faults.services.audit_reports import report_ask, report_content

MOST_SHOWN = 50


class NameForm(OnceForm):
    """A name, sent along with what is asked."""

    name = forms.CharField(max_length=120)


@require_POST
@audit_page
def question_keep(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Keep what the page asked under a name."""
    question, name = _asked(request), request.POST.get("name", "").strip()
    try:
        question_save(name=name, question=question, by=actor)
        messages.success(request, f"Kept as “{name}”.")
    except Conflict as taken:
        messages.error(request, taken.detail)
    return _back_to(question)


@require_POST
@audit_page
def question_drop(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:
    """Take a question off the list; sent twice it is off once."""
    row = saved_question_get(public_id)
    if row.withdrawn_at is None:
        version = request.POST.get("version", "")
        if version != str(row.version):
            raise Stale("The question was changed since this page was made: look again.")
        question_withdraw(row=row, version=row.version, by=actor)
        messages.success(request, f"“{row.name}” is off the list.")
    return redirect("audit")


@require_safe
@audit_page
def audit_reports(request: HttpRequest, _actor: Actor) -> HttpResponse:
    """Reports that were asked for, the newest first, and how far each is."""
    rows = list(audit_report_list()[:MOST_SHOWN])
    return render(request, "faults/audit_reports.html", {"reports": rows})


@require_POST
@audit_page
def report_make(request: HttpRequest, actor: Actor) -> HttpResponse:
    """Ask for a report as a PDF; the same form sent twice asks once."""
    question, title = _asked(request), request.POST.get("name", "").strip()
    since = NameForm(request.POST).asked_since()
    same: dict[str, Any] = {"title": title, "by_id": actor.public_id, "as_of__gte": since}
    sent = [row for row in audit_report_list().filter(**same) if row.asked == question.document()]
    if not sent:
        try:
            report_ask(title=title, question=question, by=actor)
        except Conflict as full:
            messages.error(request, full.detail)
    return redirect("audit-reports")


@require_safe
@audit_page
def report_file(request: HttpRequest, actor: Actor, public_id: str) -> HttpResponse:  # noqa: ARG001
    """The PDF, for those who may see the audit."""
    report = audit_report_get(public_id)
    content = report_content(report, actor)
    return attachment(content, "application/pdf", f"{report.public_id}.pdf")


def _asked(request: HttpRequest) -> AuditQuestion:
    return question_of(request.POST.dict())


def _back_to(question: AuditQuestion) -> HttpResponse:
    return redirect(f"{reverse('audit')}?{urlencode(question.query())}")
