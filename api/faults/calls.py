"""/calls: work promised to properties, and how it moves."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from django.db import transaction
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, IF_NONE_MATCH, Answer, described, page_document
from api.faults.call_forms import (
    CallDocument,
    CallEdit,
    CallNew,
    OneCallDocument,
    details_in,
    shown,
)
from api.faults.events import EventDocument
from api.pagination import PageQuery, page_of, page_response, sort_field
from api.preconditions import require_version, versioned_response
from api.references import named, one_of
from api.resource import Resource
from api.strict import read_body, read_query
from core.problems import Defect, Invalid
from faults.models.call import FaultCall, Urgency
from faults.selectors.call_urgency import call_dryness
from faults.selectors.calls import call_get, call_list
from faults.selectors.events import event_list
from faults.services.call_details import CallDetails
from faults.services.call_moves import has_proof
from faults.services.calls import Where, call_open, call_set_path, call_update
from faults.services.intake import call_report
from faults.transitions import CallState, legal_moves
from sites.selectors.paths import path_get
from sites.selectors.properties import controller_get, property_get


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
        page = page_of(shown(rows).filter(**wanted), query, "-id")
        return page_response(request, page, CallDocument)

    @described("call_open", "Open a call", Answer(OneCallDocument, 201, tagged=True), body=CallNew)
    def post(self, request: Request) -> Response:
        """Work that somebody asks for. 409: a call is open on the path already.

        With `fold` it is counted on that call instead, and makes it as urgent as itself; where
        no path is known, on the newest of the same place and kind.
        """
        body = read_body(request, CallNew)
        where, details = _where(body), CallDetails(**details_in(body))
        if body.get("fold"):
            since = body.get("since")
            call = call_report(where=where, details=details, by=self.actor, since=since).call
        else:
            call = call_open(where=where, by=self.actor, details=details)
        return call_response(request, call.public_id, 201)


class OneCall(Resource):
    """A call."""

    @described("call", "A call", Answer(OneCallDocument, tagged=True), headers=[IF_NONE_MATCH])
    def get(self, request: Request, public_id: str) -> Response:
        """The call, with the states it may move to."""
        return call_response(request, public_id)

    @described(
        "call_update",
        "Change a call",
        Answer(OneCallDocument, tagged=True),
        body=CallEdit,
        headers=[IF_MATCH],
    )
    def patch(self, request: Request, public_id: str) -> Response:
        """What is absent stays as it is; the state changes by a move alone."""
        call = call_matched(request, public_id)
        body = read_body(request, CallEdit)
        path = named(path_get, body.pop("path", None), "/path")
        with transaction.atomic():
            if path is not None:
                call = call_set_path(call=call, path=path, version=call.version, by=self.actor)
            if body:
                details = replace(CallDetails.of(call), **details_in(body))
                call_update(call=call, version=call.version, details=details, by=self.actor)
        return call_response(request, public_id)


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


def call_matched(request: Request, public_id: str) -> FaultCall:
    """The call, at the version that If-Match names. Raises NotFound and as require_version."""
    call = call_get(public_id)
    require_version(request, call.version)
    return call


def call_response(request: Request, public_id: str, status: int = 200) -> Response:
    """The call as its own address gives it. Raises NotFound."""
    call = one_of(shown(call_list(with_ended=True)), public_id, "call")
    legal = [str(state) for state in legal_moves(call.state, proved=has_proof(call))]
    dry = call_dryness([call])[call.pk].stations
    data: dict[str, Any] = CallDocument(call).data | {"legal_moves": legal, "stations_dry": dry}
    return versioned_response(request, data, call.version, status)
