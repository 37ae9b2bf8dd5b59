"""/events: what controllers and people report."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import Answer, described, page_document
from api.pagination import PageQuery, page_of, page_response, sort_field
from api.problems import defects_of, problem_document
from api.references import named
from api.resource import Resource
from api.strict import (
    AnyJson,
    Choice,
    Moment,
    Number,
    PublicId,
    StrictSerializer,
    Text,
    read_body,
    read_query,
)
from api.throttles import HEAVY
from core.problems import Invalid, Problem
from faults.models.event import EventKind, FaultEvent
from faults.selectors.events import event_get, event_list
from faults.services.events import (
    MOST_CURRENT_MA,
    MOST_RAIN_MM,
    MOST_ROWS,
    EventReport,
    EventResult,
    event_report,
    events_report,
)
from sites.selectors.properties import controller_get, property_get

_MEMBERS = {"property": "place"}


class EventSourceDocument(serializers.Serializer[Any]):
    """Who told of it."""

    kind = serializers.CharField(source="source_kind")
    id = serializers.CharField(source="source_id")
    name = serializers.CharField(source="source_name")


class EventDocument(serializers.Serializer[FaultEvent]):
    """One thing that was reported."""

    id = serializers.CharField(source="public_id")
    kind = serializers.ChoiceField(choices=EventKind.values)
    at = serializers.DateTimeField(help_text="When it happened, as told.")
    received_at = serializers.DateTimeField()
    property = serializers.CharField(source="property.public_id")
    controller = serializers.CharField(source="controller.public_id", allow_null=True, default=None)
    path = serializers.CharField(source="path.public_id", allow_null=True, default=None)
    call = serializers.SerializerMethodField(help_text="The call it is on; null: none.")
    note = serializers.CharField()
    current_ma = serializers.FloatField(allow_null=True)
    rain_mm = serializers.FloatField(allow_null=True)
    external_id = serializers.CharField()
    source = EventSourceDocument(source="*")  # type: ignore[assignment]

    def get_call(self, event: FaultEvent) -> str | None:
        """From the prefetched link."""
        return next((link.call.public_id for link in event.call_links.all()), None)


class EventNew(StrictSerializer):
    """A report. The narrowest place that is known is enough."""

    kind = Choice(choices=EventKind.values)
    at = Moment(help_text="When it happened; at most a day ahead of the server's clock.")
    property = PublicId("prop", required=False)
    controller = PublicId("ctl", required=False)
    path = PublicId("path", required=False)
    note = Text(max_length=500, required=False, allow_blank=True)
    current_ma = Number(min_value=0, max_value=MOST_CURRENT_MA, required=False, allow_null=True)
    rain_mm = Number(min_value=0, max_value=MOST_RAIN_MM, required=False, allow_null=True)
    external_id = Text(
        max_length=120,
        required=False,
        allow_blank=True,
        help_text="Its name in the system that tells: told again, it is the same event.",
    )


class EventBulkNew(StrictSerializer):
    """Many reports; each is checked on its own."""

    events = serializers.ListField(child=AnyJson(), max_length=MOST_ROWS)


class EventRowDocument(serializers.Serializer[Any]):
    """What became of one report."""

    index = serializers.IntegerField()
    state = serializers.ChoiceField(choices=["created", "replayed", "refused"])
    event = serializers.CharField(allow_null=True)
    call = serializers.CharField(allow_null=True)
    problem = serializers.DictField(allow_null=True, help_text="A problem document.")


class EventBulkDocument(serializers.Serializer[Any]):
    """What became of each report, in their order."""

    results = EventRowDocument(many=True)
    created = serializers.IntegerField()
    replayed = serializers.IntegerField()
    refused = serializers.IntegerField()


class EventQuery(PageQuery):
    """Which events."""

    sort = sort_field("at")
    property = serializers.CharField(max_length=40, required=False)
    controller = serializers.CharField(max_length=40, required=False)
    kind = serializers.ChoiceField(choices=EventKind.values, required=False)


class Events(Resource):
    """Events of the contractor."""

    @described("events", "List events", Answer(page_document(EventDocument)), query=EventQuery)
    def get(self, request: Request) -> Response:
        """Events, the newest that came in first."""
        query = read_query(request, EventQuery)
        rows = event_list(
            place=named(property_get, query.get("property"), "/?property"),
            controller=named(controller_get, query.get("controller"), "/?controller"),
        )
        if "kind" in query:
            rows = rows.filter(kind=query["kind"])
        return page_response(request, page_of(rows, query, "-id"), EventDocument)

    @described(
        "event_report", "Report an event", Answer(EventDocument, 201, again=200), body=EventNew
    )
    def post(self, request: Request) -> Response:
        """An overcurrent without an open call on its path opens one, else it is counted there.

        Told again under the same external id it is answered 200 with the event that is there.
        """
        result = event_report(report=_report(read_body(request, EventNew)), by=self.actor)
        assert result.event is not None  # noqa: S101 - a report alone raises where it is refused
        status = 201 if result.state == "created" else 200
        return Response(EventDocument(event_get(result.event.public_id)).data, status)


class EventsBulk(Resource):
    """Taking in many events at once."""

    limit_name = HEAVY

    @described("events_report", "Report many events", Answer(EventBulkDocument), body=EventBulkNew)
    def post(self, request: Request) -> Response:
        """A result for each; one that is refused holds no other up."""
        rows = read_body(request, EventBulkNew)["events"]
        read = [_read(row) for row in rows]
        good = [report for report in read if isinstance(report, EventReport)]
        taken = iter(events_report(reports=good, by=self.actor))
        results = [
            EventResult("refused", problem=report) if isinstance(report, Problem) else next(taken)
            for report in read
        ]
        told = [self._told(index, result) for index, result in enumerate(results)]
        counts = {
            state: sum(result.state == state for result in results)
            for state in ("created", "replayed", "refused")
        }
        return Response({"results": told} | counts)

    def _told(self, index: int, result: EventResult) -> dict[str, Any]:
        problem = result.problem
        return {
            "index": index,
            "state": result.state,
            "event": result.event.public_id if result.event else None,
            "call": result.call.public_id if result.call else None,
            "problem": problem_document(problem, self.request._request) if problem else None,  # noqa: SLF001
        }


class OneEvent(Resource):
    """An event."""

    @described("event", "An event", Answer(EventDocument))
    def get(self, request: Request, public_id: str) -> Response:  # noqa: ARG002
        """What was reported, and the call it is on."""
        return Response(EventDocument(event_get(public_id)).data)


def _report(body: dict[str, Any]) -> EventReport:
    return EventReport(**{_MEMBERS.get(name, name): value for name, value in body.items()})


def _read(row: Any) -> EventReport | Problem:
    form = EventNew(data=row)
    if not form.is_valid():
        return Invalid("The event does not fit.", defects=tuple(defects_of(form.errors)))
    return _report(form.validated_data)
