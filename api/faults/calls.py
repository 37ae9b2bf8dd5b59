"""/calls: work promised to properties, and how it moves."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from django.db import transaction
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, IF_NONE_MATCH, Answer, described, page_document
from api.faults.events import EventDocument
from api.pagination import PageQuery, page_of, page_response, sort_field
from api.preconditions import require_version, versioned_response
from api.references import named
from api.resource import Resource
from api.sites.controllers import LabelledDocument
from api.sites.properties import NamedDocument
from api.strict import Choice, Day, PublicId, StrictSerializer, Text, read_body, read_query
from core.problems import Defect, Invalid
from faults.models.call import CallMove, FaultCall, Urgency
from faults.selectors.calls import call_get, call_list, call_moves
from faults.selectors.events import event_list
from faults.services.call_details import CallDetails
from faults.services.call_moves import MOST_WORDS, Move, call_move, has_proof
from faults.services.calls import Where, call_open, call_set_path, call_update
from faults.transitions import CallOutcome, CallState, legal_moves
from sites.selectors.paths import path_get
from sites.selectors.properties import controller_get, property_get


class CallDocument(serializers.Serializer[FaultCall]):
    """Work promised to a property."""

    id = serializers.CharField(source="public_id")
    state = serializers.ChoiceField(choices=CallState.values)
    outcome = serializers.CharField(help_text="Of a closed call; else empty.")
    outcome_reason = serializers.CharField()
    urgency = serializers.ChoiceField(choices=Urgency.values)
    note = serializers.CharField()
    property = NamedDocument()
    controller = NamedDocument(allow_null=True)
    path = LabelledDocument(allow_null=True)
    wait_reason = serializers.CharField()
    waits_until = serializers.DateField(allow_null=True)
    overcurrents = serializers.IntegerField(help_text="Overcurrent events on it.")
    opened_at = serializers.DateTimeField(help_text="When the fault was first seen.")
    opened_by_name = serializers.CharField()
    last_event_at = serializers.DateTimeField(allow_null=True)
    created_at = serializers.DateTimeField()
    closed_at = serializers.DateTimeField(allow_null=True)


class OneCallDocument(CallDocument):
    """A call, with the states it may move to."""

    legal_moves = serializers.ListField(child=serializers.ChoiceField(choices=CallState.values))


class CallMoveDocument(serializers.Serializer[CallMove]):
    """That a call went from one state to another."""

    from_state = serializers.CharField(help_text="Empty for the first one.")
    to_state = serializers.ChoiceField(choices=CallState.values)
    at = serializers.DateTimeField()
    by_kind = serializers.CharField()
    by_id = serializers.CharField()
    by_name = serializers.CharField()
    why = serializers.CharField()


class CallNew(StrictSerializer):
    """A call to be: at a path, or, where that is not known, a controller or a property."""

    property = PublicId("prop", required=False)
    controller = PublicId("ctl", required=False)
    path = PublicId("path", required=False)
    urgency = Choice(choices=Urgency.values, required=False)
    note = Text(max_length=MOST_WORDS, required=False, allow_blank=True)


class CallEdit(StrictSerializer):
    """What to change of a call; what is absent stays."""

    urgency = Choice(choices=Urgency.values, required=False)
    note = Text(max_length=MOST_WORDS, required=False, allow_blank=True)
    path = PublicId("path", required=False, help_text="The wire path it is about.")


class MoveNew(StrictSerializer):
    """Where a call shall go."""

    to = Choice(choices=CallState.values)
    why = Text(
        max_length=MOST_WORDS,
        required=False,
        allow_blank=True,
        help_text="Asked for with `closed` and `waiting`.",
    )
    outcome = Choice(choices=CallOutcome.values, required=False, help_text="With `closed`.")
    until = Day(required=False, allow_null=True, help_text="With `waiting`.")


class CallQuery(PageQuery):
    """Which calls."""

    sort = sort_field("opened_at", "created_at")
    property = serializers.CharField(max_length=40, required=False)
    path = serializers.CharField(max_length=40, required=False)
    state = serializers.ChoiceField(choices=CallState.values, required=False)
    urgency = serializers.ChoiceField(choices=Urgency.values, required=False)
    with_ended = serializers.BooleanField(
        default=False, help_text="Closed and cancelled ones too; `state` implies it."
    )


class Calls(Resource):
    """Calls of the contractor."""

    @described("calls", "List calls", Answer(page_document(CallDocument)), query=CallQuery)
    def get(self, request: Request) -> Response:
        """Open calls, the newest first."""
        query = read_query(request, CallQuery)
        rows = call_list(
            place=named(property_get, query.get("property"), "/?property"),
            path=named(path_get, query.get("path"), "/?path"),
            with_ended=query["with_ended"] or "state" in query,
        )
        wanted = {name: query[name] for name in ("state", "urgency") if name in query}
        page = page_of(rows.filter(**wanted), query, "-id")
        return page_response(request, page, CallDocument)

    @described("call_open", "Open a call", Answer(OneCallDocument, 201, tagged=True), body=CallNew)
    def post(self, request: Request) -> Response:
        """Work that somebody asks for. 409: a call is open on the path already."""
        body = read_body(request, CallNew)
        where = _where(body)
        details = CallDetails(**{n: body[n] for n in ("urgency", "note") if n in body})
        call = call_open(where=where, by=self.actor, details=details)
        return _response(request, call.public_id, 201)


class OneCall(Resource):
    """A call."""

    @described("call", "A call", Answer(OneCallDocument, tagged=True), headers=[IF_NONE_MATCH])
    def get(self, request: Request, public_id: str) -> Response:
        """The call, with the states it may move to."""
        return _response(request, public_id)

    @described(
        "call_update",
        "Change a call",
        Answer(OneCallDocument, tagged=True),
        body=CallEdit,
        headers=[IF_MATCH],
    )
    def patch(self, request: Request, public_id: str) -> Response:
        """What is absent stays as it is; the state changes by a move alone."""
        call = _matched(request, public_id)
        body = read_body(request, CallEdit)
        path = named(path_get, body.pop("path", None), "/path")
        with transaction.atomic():
            if path is not None:
                call = call_set_path(call=call, path=path, version=call.version, by=self.actor)
            if body:
                details = replace(CallDetails.of(call), **body)
                call_update(call=call, version=call.version, details=details, by=self.actor)
        return _response(request, public_id)


class CallMoves(Resource):
    """How a call moves."""

    @described(
        "call_moves",
        "List the moves of a call",
        Answer(page_document(CallMoveDocument)),
        query=PageQuery,
    )
    def get(self, request: Request, public_id: str) -> Response:
        """Its moves, the oldest first."""
        page = page_of(call_moves(call_get(public_id)), read_query(request, PageQuery))
        return page_response(request, page, CallMoveDocument)

    @described(
        "call_move",
        "Move a call",
        Answer(OneCallDocument, 201, tagged=True),
        body=MoveNew,
        headers=[IF_MATCH],
    )
    def post(self, request: Request, public_id: str) -> Response:
        """To a state that its own allows; 409 tells which these are."""
        call = _matched(request, public_id)
        move = Move(**read_body(request, MoveNew))
        call_move(call=call, move=move, version=call.version, by=self.actor)
        return _response(request, public_id, 201)


class CallEvents(Resource):
    """The events on a call."""

    @described(
        "call_events",
        "List the events on a call",
        Answer(page_document(EventDocument)),
        query=PageQuery,
    )
    def get(self, request: Request, public_id: str) -> Response:
        """What was reported and belongs to it, the newest first."""
        rows = event_list().filter(call_links__call=call_get(public_id))
        return page_response(
            request, page_of(rows, read_query(request, PageQuery), "-id"), EventDocument
        )


def _where(body: dict[str, Any]) -> Where:
    path = named(path_get, body.get("path"), "/path")
    controller = named(controller_get, body.get("controller"), "/controller")
    place = named(property_get, body.get("property"), "/property")
    if path is not None:
        where = Where.of_path(path)
    elif controller is not None:
        where = Where(controller.property, controller)
    elif place is not None:
        where = Where(place)
    else:
        defect = Defect("/path", "no place is named", "a path, controller or property")
        raise Invalid("The call does not fit.", defects=[defect])
    if controller is not None and where.controller != controller:
        defect = Defect("/controller", "the wire path is on another controller", "leave it out")
        raise Invalid("The call does not fit.", defects=[defect])
    if place is not None and where.place != place:
        defect = Defect("/property", "the controller is on another property", "leave it out")
        raise Invalid("The call does not fit.", defects=[defect])
    return where


def _matched(request: Request, public_id: str) -> FaultCall:
    call = call_get(public_id)
    require_version(request, call.version)
    return call


def _response(request: Request, public_id: str, status: int = 200) -> Response:
    call = call_get(public_id)
    legal = [str(state) for state in legal_moves(call.state, proved=has_proof(call))]
    data: dict[str, Any] = CallDocument(call).data | {"legal_moves": legal}
    return versioned_response(request, data, call.version, status)
