"""/traces: hunts for the fault of a call, and what comes next in them."""

from __future__ import annotations

from drf_spectacular.types import OpenApiTypes
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, IF_NONE_MATCH, Answer, described, page_document
from api.idempotency import KeyUse
from api.pagination import PageQuery, page_of, page_response, sort_field
from api.preconditions import require_version, versioned_response
from api.references import named
from api.resource import Resource
from api.strict import JsonObject, PublicId, StrictSerializer, Text, read_body, read_query
from api.throttles import HEAVY
from faults.models.trace import Trace, TraceOutcome
from faults.selectors.calls import call_get
from faults.selectors.traces import trace_get, trace_list, trace_next
from faults.services.call_moves import MOST_WORDS
from faults.services.traces import trace_end, trace_start

# The engine runs outside a transaction, and a call has one trace at a time.
BY_ITSELF = KeyUse(effect_is_kept_by_itself=True)


class TraceDocument(serializers.Serializer[Trace]):
    """One hunt, and where it stands."""

    id = serializers.CharField(source="public_id")
    call = serializers.CharField(source="call.public_id")
    path = serializers.CharField(source="path.public_id")
    revision = serializers.IntegerField(help_text="The revision of the map it is pinned to.")
    started_at = serializers.DateTimeField()
    started_by_name = serializers.CharField()
    ended_at = serializers.DateTimeField(allow_null=True)
    outcome = serializers.ChoiceField(
        choices=TraceOutcome.values, allow_blank=True, help_text="Empty while it goes on."
    )
    reason = serializers.CharField()
    observation_count = serializers.IntegerField()
    standing = serializers.DictField(
        help_text="Stage, first suspects, minutes left, and as left: what is open or off now."
    )
    known = serializers.DictField(
        help_text="What was known before starting (trace form). `history` is set as the trace "
        "begins: the `run` over the history of failures and up to when it knew (`as_of`), and of "
        "each place that weighs more or less than its peers the `factor`, how often it failed in "
        "how many years, and how often the stretch around it. All steps go by it for good."
    )


class TraceNew(StrictSerializer):
    """A trace to be."""

    call = PublicId("call")
    known = JsonObject(
        required=False,
        help_text="Members of the trace form (`clampline-trace/1`) besides its survey: "
        "`series_coil_ohm`, `meter`, `costs`, `priors`, `sound_record`, `dated`.",
    )


class TraceEndNew(StrictSerializer):
    """Why a trace ends before it is done."""

    why = Text(max_length=MOST_WORDS)


class TraceQuery(PageQuery):
    """Which traces."""

    sort = sort_field("started_at")
    call = serializers.CharField(max_length=40, required=False)
    is_open = serializers.BooleanField(required=False)


class Traces(Resource):
    """Traces of the contractor."""

    limit_name = HEAVY
    key_use = BY_ITSELF

    @described("traces", "List traces", Answer(page_document(TraceDocument)), query=TraceQuery)
    def get(self, request: Request) -> Response:
        """Traces, the newest first."""
        query = read_query(request, TraceQuery)
        rows = trace_list(named(call_get, query.get("call"), "/?call"))
        if "is_open" in query:
            rows = rows.filter(ended_at__isnull=query["is_open"])
        return page_response(request, page_of(rows, query, "-id"), TraceDocument)

    @described(
        "trace_start", "Begin a trace", Answer(TraceDocument, 201, tagged=True), body=TraceNew
    )
    def post(self, request: Request) -> Response:
        """On the newest map of the call's path; the call goes to `tracing`.

        409: the call names no path, has a trace under way, or its state does not allow one.
        """
        body = read_body(request, TraceNew)
        call = named(call_get, body["call"], "/call")
        assert call is not None  # noqa: S101 - the form asks for it
        trace = trace_start(call=call, by=self.actor, known=body.get("known"))
        return _response(request, trace.public_id, 201)


class OneTrace(Resource):
    """A trace."""

    @described("trace", "A trace", Answer(TraceDocument, tagged=True), headers=[IF_NONE_MATCH])
    def get(self, request: Request, public_id: str) -> Response:
        """Where it stands; the step to do now is at `/next`."""
        return _response(request, public_id)


class TraceNext(Resource):
    """What comes next in a trace."""

    limit_name = HEAVY

    @described(
        "trace_next",
        "The next step",
        Answer(OpenApiTypes.OBJECT, tagged=True),
        headers=[IF_NONE_MATCH],
    )
    def get(self, request: Request, public_id: str) -> Response:
        """The step to do now with its expectations, reasons and cautions; at the end the verdict.

        A document of the step form, or of the verdict form where `stage` is `done`.
        """
        trace = trace_get(public_id)
        return versioned_response(request, trace_next(trace), trace.version)


class TraceEnd(Resource):
    """Ending a trace by hand."""

    limit_name = HEAVY
    key_use = BY_ITSELF

    @described(
        "trace_end",
        "End a trace before it is done",
        Answer(TraceDocument, tagged=True),
        body=TraceEndNew,
        headers=[IF_MATCH],
    )
    def post(self, request: Request, public_id: str) -> Response:
        """It ends as `unproved`, with a reason; its suspects are kept."""
        trace = trace_get(public_id)
        require_version(request, trace.version)
        why = read_body(request, TraceEndNew)["why"]
        trace_end(trace=trace, why=why, version=trace.version, by=self.actor)
        return _response(request, public_id)


def _response(request: Request, public_id: str, status: int = 200) -> Response:
    trace = trace_get(public_id)
    return versioned_response(request, TraceDocument(trace).data, trace.version, status)
