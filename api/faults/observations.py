"""/traces/{id}/observations: what was measured, done or withdrawn in a trace."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import Answer, described, page_document
from api.faults.traces import BY_ITSELF
from api.pagination import PageQuery, page_of, page_response
from api.resource import Resource
from api.strict import JsonObject, Moment, StrictSerializer, Text, Whole, read_body, read_query
from api.throttles import HEAVY
from core.problems import Defect, IllegalMove, Invalid, Problem
from faults.models.trace import Observation
from faults.selectors.traces import observation_list, trace_get
from faults.services.observations import (
    MOST_SEQ,
    ObservationResult,
    Voiding,
    observation_add,
    observation_void,
)

MOST_CLIENT_ID = 80


class ObservationDocument(serializers.Serializer[Observation]):
    """One thing measured, done or withdrawn."""

    client_id = serializers.CharField()
    client_seq = serializers.IntegerField()
    client_at = serializers.DateTimeField()
    received_at = serializers.DateTimeField()
    late = serializers.BooleanField(help_text="The trace had ended when it came in.")
    voids = serializers.CharField(help_text="The client id of what it withdraws; or empty.")
    observation = serializers.DictField(source="body", help_text="As the observation form has it.")
    by_kind = serializers.CharField()
    by_id = serializers.CharField()
    by_name = serializers.CharField()


class ObservationAnswerDocument(serializers.Serializer[Any]):
    """What became of an observation, and what comes next."""

    client_id = serializers.CharField()
    replayed = serializers.BooleanField(help_text="It was there already: the first answer again.")
    late = serializers.BooleanField()
    warnings = serializers.ListField(child=serializers.CharField())
    next = serializers.DictField(help_text="The next step, or the verdict at the end.")


class ObservationNew(StrictSerializer):
    """An observation as the client tells it."""

    client_id = Text(max_length=MOST_CLIENT_ID, help_text="Its name, made by the client.")
    client_seq = Whole(
        min_value=1, max_value=MOST_SEQ, help_text="From 1, in the order in which things were done."
    )
    client_at = Moment()
    observation = JsonObject(help_text="A document of the observation form.")


class VoidingNew(StrictSerializer):
    """An observation that is withdrawn."""

    client_id = Text(max_length=MOST_CLIENT_ID, help_text="The name of the withdrawal itself.")
    client_seq = Whole(min_value=1, max_value=MOST_SEQ)
    client_at = Moment()
    voids = Text(max_length=MOST_CLIENT_ID, help_text="The client id of what is withdrawn.")
    why = Text(max_length=500, required=False, allow_blank=True)


class ObservationQuery(PageQuery):
    """Which observations."""


class Observations(Resource):
    """Observations of a trace."""

    limit_name = HEAVY
    key_use = BY_ITSELF

    @described(
        "observations",
        "List the observations of a trace",
        Answer(page_document(ObservationDocument)),
        query=ObservationQuery,
    )
    def get(self, request: Request, public_id: str) -> Response:
        """In the order in which they were done, whenever they came in."""
        rows = observation_list(trace_get(public_id))
        page = page_of(rows, read_query(request, ObservationQuery), "client_seq")
        return page_response(request, page, ObservationDocument)

    @described(
        "observation_add",
        "Tell an observation",
        Answer(ObservationAnswerDocument, 201, again=200),
        body=ObservationNew,
    )
    def post(self, request: Request, public_id: str) -> Response:
        """The answer holds the next step. Told again under its `client_id` it is answered 200.

        409: the rig does not allow it (`step` holds the step again), or the `client_id` stands
        for another observation.
        """
        trace = trace_get(public_id)
        body = read_body(request, ObservationNew)
        try:
            result = observation_add(
                trace=trace,
                by=self.actor,
                client_id=body["client_id"],
                body=body["observation"],
                client_seq=body["client_seq"],
                client_at=body["client_at"],
            )
        except (Invalid, IllegalMove) as refused:
            raise _pointing_within(refused) from refused
        return _response(result)


class ObservationVoidings(Resource):
    """Withdrawing observations of a trace."""

    limit_name = HEAVY
    key_use = BY_ITSELF

    @described(
        "observation_void",
        "Withdraw an observation",
        Answer(ObservationAnswerDocument, 201, again=200),
        body=VoidingNew,
    )
    def post(self, request: Request, public_id: str) -> Response:
        """By a row of its own: what was told stays told. The answer holds the next step."""
        trace = trace_get(public_id)
        body = read_body(request, VoidingNew)
        result = observation_void(
            trace=trace,
            by=self.actor,
            client_id=body["client_id"],
            voiding=Voiding(body["voids"], body.get("why", "")),
            client_seq=body["client_seq"],
            client_at=body["client_at"],
        )
        return _response(result)


_OWN_MEMBERS = ("/client_id", "/client_seq", "/client_at")


def _pointing_within(refused: Problem) -> Problem:
    """The same problem, its pointers into the document moved to where that lies in the body."""
    defects = [
        one
        if one.pointer in _OWN_MEMBERS
        else Defect(f"/observation{one.pointer}", one.what, one.right)
        for one in refused.defects
    ]
    return type(refused)(refused.detail, defects=defects, extra=refused.extra)


def _response(result: ObservationResult) -> Response:
    document = {
        "client_id": result.observation.client_id,
        "replayed": result.replayed,
        "late": result.late,
        "warnings": list(result.warnings),
        "next": result.document,
    }
    return Response(document, 200 if result.replayed else 201)
