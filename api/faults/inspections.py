"""/inspections: follow-up looks at trouble stretches; /inspection-rules."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, IF_NONE_MATCH, Answer, described, page_document
from api.pagination import PageQuery, page_of, page_response
from api.preconditions import require_version, versioned_response
from api.resource import Resource
from api.sites.controllers import LabelledDocument
from api.sites.properties import NamedDocument
from api.strict import Choice, StrictSerializer, Text, read_body, read_query
from faults.models.trouble import Inspection, InspectionResult, InspectionRules, InspectionState
from faults.selectors.trouble import inspection_get, inspection_list
from faults.services.inspection_ends import MOST_NOTE, inspection_done, inspection_skip
from faults.services.inspection_rules import (
    LEAST_CHANCE,
    MOST_A_WEEK,
    MOST_CHANCE,
    MOST_HOLIDAYS,
    LookRules,
    inspection_rules,
    inspection_rules_set,
)


class InspectionDocument(serializers.Serializer[Inspection]):
    """A look at a trouble stretch, or at a path without a flag."""

    id = serializers.CharField(source="public_id")
    property = NamedDocument()
    path = LabelledDocument()
    flag = serializers.CharField(
        source="flag.public_id",
        default=None,
        allow_null=True,
        help_text="Null: of a path without a flag, asked for by the predicted chance alone.",
    )
    places = serializers.JSONField(
        help_text="Without a flag: where to begin, in the words of the forms; empty: anywhere."
    )
    number = serializers.IntegerField()
    state = serializers.ChoiceField(choices=InspectionState.values)
    due_on = serializers.DateField()
    planned_week = serializers.DateField(allow_null=True, help_text="The Monday of its week.")
    overdue = serializers.BooleanField(help_text="Open past its day.")
    chance = serializers.FloatField(help_text="Of a failure by `due_on`.")
    created_at = serializers.DateTimeField()
    ended_at = serializers.DateTimeField(allow_null=True)
    ended_by_name = serializers.CharField()
    result = serializers.CharField(help_text=f"One of {', '.join(InspectionResult)}, or empty.")
    note = serializers.CharField()
    call = serializers.CharField(
        source="call.public_id",
        default=None,
        allow_null=True,
        help_text="What a `fault` that it showed was reported to: opened by it, or open then.",
    )


class InspectionQuery(PageQuery):
    """Which looks."""

    with_ended = serializers.BooleanField(default=False)


class InspectionEnd(StrictSerializer):
    """What a look showed."""

    result = Choice(choices=InspectionResult.values)
    note = Text(max_length=MOST_NOTE, required=False, allow_blank=True)


class InspectionSkip(StrictSerializer):
    """Why it is left out this time."""

    why = Text(max_length=MOST_NOTE)


class Inspections(Resource):
    """Follow-up looks of the contractor."""

    @described(
        "inspections",
        "List inspections",
        Answer(page_document(InspectionDocument)),
        query=InspectionQuery,
    )
    def get(self, request: Request) -> Response:
        """Open ones, the soonest due first; overdue ones stay until they are done."""
        query = read_query(request, InspectionQuery)
        rows = inspection_list(only_open=not query["with_ended"])
        return page_response(request, page_of(rows, query, "due_on"), InspectionDocument)


class OneInspection(Resource):
    """A look."""

    @described(
        "inspection",
        "An inspection",
        Answer(InspectionDocument, tagged=True),
        headers=[IF_NONE_MATCH],
    )
    def get(self, request: Request, public_id: str) -> Response:
        """When it is due and planned, and what it came to."""
        return _response(request, public_id)


class InspectionDone(Resource):
    """Ending a look."""

    @described(
        "inspection_done",
        "Say what an inspection showed",
        Answer(InspectionDocument, tagged=True),
        body=InspectionEnd,
        headers=[IF_MATCH],
    )
    def post(self, request: Request, public_id: str) -> Response:
        """The next one counts from it. A `fault` opens a call, or is one more report of the call
        that is open on the path. 409: it is over already."""
        look = inspection_get(public_id)
        require_version(request, look.version)
        body = read_body(request, InspectionEnd)
        inspection_done(look=look, **body, version=look.version, by=self.actor)
        return _response(request, public_id)


class InspectionSkipped(Resource):
    """Leaving a look out."""

    @described(
        "inspection_skip",
        "Skip an inspection",
        Answer(InspectionDocument, tagged=True),
        body=InspectionSkip,
        headers=[IF_MATCH],
    )
    def post(self, request: Request, public_id: str) -> Response:
        """It stays on record as skipped, and is asked for again. 409: it is over already."""
        look = inspection_get(public_id)
        require_version(request, look.version)
        body = read_body(request, InspectionSkip)
        inspection_skip(look=look, **body, version=look.version, by=self.actor)
        return _response(request, public_id)


class InspectionRulesDocument(serializers.Serializer[InspectionRules]):
    """How many looks a week, from which chance on, and the days when nobody goes out."""

    weekly_capacity = serializers.IntegerField()
    look_at_chance = serializers.FloatField(help_text="Of a failure, at which a flag is due.")
    path_look_at_chance = serializers.FloatField(
        allow_null=True,
        help_text="The same of a path without a flag; null: such paths are not looked at.",
    )
    holidays = serializers.ListField(child=serializers.DateField())


class InspectionRulesBody(StrictSerializer):
    """The rules, whole."""

    weekly_capacity = serializers.IntegerField(min_value=1, max_value=MOST_A_WEEK)
    look_at_chance = serializers.FloatField(min_value=LEAST_CHANCE, max_value=MOST_CHANCE)
    path_look_at_chance = serializers.FloatField(
        min_value=LEAST_CHANCE,
        max_value=MOST_CHANCE,
        allow_null=True,
        default=None,
        help_text="Null: paths without a flag are not looked at.",
    )
    holidays = serializers.ListField(child=serializers.DateField(), max_length=MOST_HOLIDAYS)


class InspectionRulesResource(Resource):
    """The contractor's rules for looks."""

    @described(
        "inspection_rules",
        "Rules for inspections",
        Answer(InspectionRulesDocument, tagged=True),
        headers=[IF_NONE_MATCH],
    )
    def get(self, request: Request) -> Response:
        """The defaults where none were set."""
        return _rules(request, inspection_rules())

    @described(
        "inspection_rules_set",
        "Set the rules for inspections",
        Answer(InspectionRulesDocument, tagged=True),
        body=InspectionRulesBody,
        headers=[IF_MATCH],
    )
    def put(self, request: Request) -> Response:
        """Open looks are planned anew at once."""
        version = inspection_rules().version
        require_version(request, version)
        body: dict[str, Any] = read_body(request, InspectionRulesBody)
        rules = inspection_rules_set(rules=LookRules(**body), version=version, by=self.actor)
        return _rules(request, rules)


def _rules(request: Request, rules: InspectionRules) -> Response:
    return versioned_response(request, InspectionRulesDocument(rules).data, rules.version)


def _response(request: Request, public_id: str) -> Response:
    look = inspection_get(public_id)
    return versioned_response(request, InspectionDocument(look).data, look.version)
