"""/audit: figures of repeat failures, the events behind them, and tables as CSV."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import Answer, described, page_document
from api.faults.audit_forms import (
    AuditDocument,
    AuditEventDocument,
    QuestionQuery,
    audit_document,
    event_document,
    question_from,
)
from api.pagination import MOST, USUAL, Page, page_response
from api.references import named
from api.resource import Resource
from api.strict import read_query
from api.throttles import HEAVY
from core.attachment import attachment
from core.csv_text import MEDIA_TYPE
from core.problems import Defect, Invalid
from faults.audit.assemble import Event
from faults.audit_exports import audit_csv
from faults.selectors.audit import audit_of, audit_row
from faults.services.audit_reports import export_told


class EventsQuery(QuestionQuery):
    """Which count, of which audit."""

    figure = serializers.CharField(max_length=40)
    row = serializers.CharField(max_length=300, help_text="Key of the row.")
    column = serializers.CharField(max_length=40, help_text="Key of the column.")
    limit = serializers.IntegerField(min_value=1, max_value=MOST, default=USUAL)
    cursor = serializers.CharField(
        max_length=60, required=False, help_text="`next_cursor` of the page before."
    )


class TableQuery(QuestionQuery):
    """Which table, of which audit."""

    table = serializers.CharField(
        max_length=40,
        help_text=(
            "A figure by its key, or raw-calls, raw-failures, raw-repairs, raw-parts, raw-flags, "
            "raw-ground, raw-maps."
        ),
    )


class AuditResource(Resource):
    """The audit of repeat failures."""

    limit_name = HEAVY

    @described("audit", "Audit repeat failures", Answer(AuditDocument), query=QuestionQuery)
    def get(self, request: Request) -> Response:
        """Every figure, worked out now from what is stored."""
        question = question_from(read_query(request, QuestionQuery))
        return Response(audit_document(audit_of(question)))


class AuditEvents(Resource):
    """Events behind a count."""

    limit_name = HEAVY

    @described(
        "audit_events",
        "List what a count is of",
        Answer(page_document(AuditEventDocument)),
        query=EventsQuery,
    )
    def get(self, request: Request) -> Response:
        """The oldest first, each by its id, so that it can be looked up."""
        query = read_query(request, EventsQuery)
        audited = audit_of(question_from(query))
        if audited.found.figure(query["figure"]) is None:
            right = ", ".join(one.key for one in audited.found.figures)
            defect = Defect("/?figure", "is no figure of the audit", f"one of {right}")
            raise Invalid("Something that is named is not there.", defects=[defect])
        found = named(lambda row: audit_row(audited, query["figure"], row), query["row"], "/?row")
        assert found is not None  # noqa: S101 - the query names one
        figure, row = found
        if query["column"] not in {one.key for one in figure.columns}:
            right = ", ".join(one.key for one in figure.columns)
            defect = Defect("/?column", f"is no column of {figure.key}", f"one of {right}")
            raise Invalid("Something that is named is not there.", defects=[defect])
        events = audited.found.events(row.opens.get(query["column"], ()))
        page = _page(events, query["limit"], query.get("cursor", ""))
        return page_response(request, page, AuditEventDocument)


def _page(events: list[Event], limit: int, cursor: str) -> Page[Any]:
    """Events after that which the cursor names. Raises Invalid where it is not among them."""
    first = 0
    if cursor:
        ids = [event.id for event in events]
        if cursor not in ids:
            defect = Defect("/?cursor", "is no cursor of this list", "next_cursor of a page before")
            raise Invalid("The cursor cannot be read.", defects=[defect])
        first = ids.index(cursor) + 1
    shown = events[first : first + limit]
    more = first + limit < len(events)
    rows: list[Any] = [event_document(event) for event in shown]
    return Page(rows, shown[-1].id if more else None)


class AuditTable(Resource):
    """A table of the audit as CSV."""

    limit_name = HEAVY

    @described(
        "audit_table",
        "A table of the audit as CSV",
        Answer(OpenApiTypes.STR, media_type="text/csv"),
        query=TableQuery,
    )
    def get(self, request: Request) -> HttpResponse:
        """RFC 4180, UTF-8; texts that a spreadsheet would take for a formula begin with `'`.

        Raw rows hold everything up to now, whatever property or crew is asked for.
        """
        query = read_query(request, TableQuery)
        found = audit_of(question_from(query)).found
        text = named(lambda table: audit_csv(found, table), query["table"], "/?table")
        export_told(f"csv {query['table']}", self.actor)
        # A table that is not there was refused above, so its name is one of ours.
        return attachment(text or "", MEDIA_TYPE, f"audit-{query['table']}.csv")
