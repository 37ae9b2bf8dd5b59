"""Addresses of the pages of the audit, which those who look back may see."""

from __future__ import annotations

from django.urls import path

from faults.pages.audit import audit, audit_events, audit_table
from faults.pages.audit_kept import (
    audit_reports,
    question_drop,
    question_keep,
    report_file,
    report_make,
)

urlpatterns = [
    path("audit", audit, name="audit"),
    path("audit/events", audit_events, name="audit-events"),
    path("audit/rows.csv", audit_table, name="audit-table"),
    path("audit/questions", question_keep, name="audit-question-keep"),
    path("audit/questions/<slug:public_id>/drop", question_drop, name="audit-question-drop"),
    path("audit/reports", audit_reports, name="audit-reports"),
    path("audit/reports/ask", report_make, name="audit-report-ask"),
    path("audit/reports/<slug:public_id>", report_file, name="audit-report"),
]
