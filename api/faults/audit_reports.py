"""/audit-reports: audits as PDF."""

from __future__ import annotations

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import Answer, described, page_document
from api.faults.audit_forms import AskedDocument, QuestionBody, question_from
from api.pagination import PageQuery, page_of, page_response
from api.resource import Resource
from api.strict import StrictSerializer, Text, read_body, read_query
from api.throttles import HEAVY
from core.attachment import attachment
from faults.models.audit import AuditReport
from faults.selectors.audit_asked import audit_report_get, audit_report_list
from faults.services.audit_reports import report_ask, report_content


class AuditReportDocument(serializers.Serializer[AuditReport]):
    """An audit as a PDF; it is at `/content` once `made_at` says so."""

    id = serializers.CharField(source="public_id")
    title = serializers.CharField()
    asked = AskedDocument()
    as_of = serializers.DateTimeField(help_text="What came after was not looked at.")
    by_id = serializers.CharField()
    by_name = serializers.CharField()
    job = serializers.CharField(source="job.public_id", help_text="How far it is: `/jobs/{id}`.")
    made_at = serializers.DateTimeField(allow_null=True)
    size_bytes = serializers.IntegerField()
    sha256 = serializers.CharField(allow_blank=True)


class AuditReportNew(StrictSerializer):
    """A title and what to ask."""

    title = Text(max_length=120)
    asked = QuestionBody()


class AuditReports(Resource):
    """Audits as PDF."""

    @described(
        "audit_reports",
        "List audits as PDF",
        Answer(page_document(AuditReportDocument)),
        query=PageQuery,
    )
    def get(self, request: Request) -> Response:
        """The newest first, with those that are on the way."""
        page = page_of(audit_report_list(), read_query(request, PageQuery), "-id")
        return page_response(request, page, AuditReportDocument)

    @described(
        "audit_report_ask",
        "Ask for an audit as PDF",
        Answer(AuditReportDocument, 201),
        body=AuditReportNew,
    )
    def post(self, request: Request) -> Response:
        """As of now; a job makes it. 409: five are on the way already."""
        body = read_body(request, AuditReportNew)
        report = report_ask(
            title=body["title"], question=question_from(body["asked"], "/asked"), by=self.actor
        )
        return Response(AuditReportDocument(report).data, 201)


class OneAuditReport(Resource):
    """An audit as PDF."""

    @described("audit_report", "An audit as PDF", Answer(AuditReportDocument))
    def get(self, request: Request, public_id: str) -> Response:  # noqa: ARG002
        """What was asked, and whether it is made."""
        return Response(AuditReportDocument(audit_report_get(public_id)).data)


class AuditReportContent(Resource):
    """The PDF itself."""

    limit_name = HEAVY

    @described(
        "audit_report_content",
        "The PDF of an audit",
        Answer(OpenApiTypes.BINARY, media_type="application/pdf"),
    )
    def get(self, request: Request, public_id: str) -> HttpResponse:  # noqa: ARG002
        """409: it is not made yet. 410: its file is lost."""
        report = audit_report_get(public_id)
        content = report_content(report, self.actor)
        return attachment(content, "application/pdf", f"{report.public_id}.pdf")
