"""/findings: what traces found, suspected or proved, and what it rests on."""

from __future__ import annotations

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import Answer, described, page_document
from api.pagination import PageQuery, page_of, page_response, sort_field
from api.references import named
from api.resource import Resource
from api.strict import read_query
from faults.models.trace import Finding
from faults.selectors.calls import call_get
from faults.selectors.findings import finding_get
from faults.selectors.traces import finding_list, trace_get


class FindingDocument(serializers.Serializer[Finding]):
    """A place that a trace found."""

    id = serializers.CharField(source="public_id")
    trace = serializers.CharField(source="trace.public_id")
    path = serializers.CharField(source="trace.path.public_id")
    at = serializers.DictField(help_text="A place in the words of the forms.")
    kind = serializers.CharField()
    chance = serializers.FloatField(help_text="0 to 1.")
    proved = serializers.BooleanField(help_text="By a test that could have failed.")
    made_at = serializers.DateTimeField()
    superseded_at = serializers.DateTimeField(
        allow_null=True, help_text="When what came in later changed it; null: it stands."
    )
    superseded_why = serializers.CharField()


class OneFindingDocument(FindingDocument):
    """A finding with every step that it rests on."""

    basis = serializers.ListField(child=serializers.DictField())


class FindingQuery(PageQuery):
    """Which findings."""

    sort = sort_field("made_at")
    trace = serializers.CharField(max_length=40, required=False)
    call = serializers.CharField(max_length=40, required=False)
    proved = serializers.BooleanField(required=False)
    with_superseded = serializers.BooleanField(default=False)


class Findings(Resource):
    """Findings of the contractor."""

    @described(
        "findings", "List findings", Answer(page_document(FindingDocument)), query=FindingQuery
    )
    def get(self, request: Request) -> Response:
        """Findings that stand, the newest first."""
        query = read_query(request, FindingQuery)
        rows = finding_list(
            trace=named(trace_get, query.get("trace"), "/?trace"),
            call=named(call_get, query.get("call"), "/?call"),
            with_superseded=query["with_superseded"],
        )
        if "proved" in query:
            rows = rows.filter(proved=query["proved"])
        # The steps are long; a list does not need them.
        page = page_of(rows.defer("basis"), query, "-id")
        return page_response(request, page, FindingDocument)


class OneFinding(Resource):
    """A finding."""

    @described("finding", "A finding", Answer(OneFindingDocument))
    def get(self, request: Request, public_id: str) -> Response:  # noqa: ARG002
        """With every step that it rests on, the withdrawn ones marked."""
        return Response(OneFindingDocument(finding_get(public_id)).data)
