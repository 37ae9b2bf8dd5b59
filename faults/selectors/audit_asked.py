"""Reading kept questions and audits on paper."""

from __future__ import annotations

from django.db.models import QuerySet

from core.problems import NotFound
from faults.models.audit import AuditReport, SavedQuestion


def saved_question_list(*, with_withdrawn: bool = False) -> QuerySet[SavedQuestion]:
    """Kept questions by name: one query."""
    rows = SavedQuestion.objects.order_by("name", "pk")
    return rows if with_withdrawn else rows.filter(withdrawn_at__isnull=True)


def saved_question_get(public_id: str) -> SavedQuestion:
    """A kept question, a withdrawn one too: one query. Raises NotFound."""
    found = saved_question_list(with_withdrawn=True).filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no question {public_id}.")
    return found


def audit_report_list() -> QuerySet[AuditReport]:
    """Reports with their jobs, the newest first: one query."""
    return AuditReport.objects.select_related("job").order_by("-pk")


def audit_report_get(public_id: str) -> AuditReport:
    """A report with its job: one query. Raises NotFound."""
    found = audit_report_list().filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no report {public_id}.")
    return found
