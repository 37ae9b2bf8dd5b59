"""/calls/{id}/moves and /assign: where a call goes, and whose it is."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, Answer, described, page_document
from api.faults.call_forms import OneCallDocument
from api.faults.calls import call_matched, call_response
from api.pagination import PageQuery, page_of, page_response
from api.references import named
from api.resource import Resource
from api.strict import Choice, Day, PublicId, StrictSerializer, Text, read_body, read_query
from core.accounts.directory import crew_get, person_get
from faults.models.as_left import LeftAnswerKind
from faults.models.call import CallMove
from faults.selectors.calls import call_get, call_moves
from faults.services.as_left import LeftAnswer
from faults.services.call_moves import MOST_WORDS, Move, call_move
from faults.services.calls import call_assign
from faults.transitions import CallOutcome, CallState, WaitKind

MOST_ANSWERS = 500


class CallMoveDocument(serializers.Serializer[CallMove]):
    """That a call went from one state to another."""

    from_state = serializers.CharField(help_text="Empty for the first one.")
    to_state = serializers.ChoiceField(choices=CallState.values)
    at = serializers.DateTimeField()
    by_kind = serializers.CharField()
    by_id = serializers.CharField()
    by_name = serializers.CharField()
    why = serializers.CharField()


class LeftAnswerNew(StrictSerializer):
    """What is said of a thing left on the path."""

    item = PublicId("left")
    answer = Choice(choices=LeftAnswerKind.values)
    why = Text(
        max_length=MOST_WORDS, required=False, allow_blank=True, help_text="Asked for with `kept`."
    )


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
    wait_kind = Choice(
        choices=WaitKind.values, required=False, help_text="With `waiting`; absent: `other`."
    )
    untested_why = Text(
        max_length=MOST_WORDS,
        required=False,
        allow_blank=True,
        help_text="With `closed` as `repaired`: why without a passed return test.",
    )
    left = serializers.ListField(
        child=LeftAnswerNew(),
        required=False,
        max_length=MOST_ANSWERS,
        help_text="Asked for of each thing left on the path where people go.",
    )


class AssignNew(StrictSerializer):
    """To whom a call is given: a crew or a person; null: to nobody."""

    crew = PublicId("crew", required=False, allow_null=True)
    person = PublicId("per", required=False, allow_null=True)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """Raise ValidationError where both are named, or neither is spoken of."""
        if not attrs:
            raise serializers.ValidationError({"crew": "a crew or a person is wanted, or null"})
        if attrs.get("crew") and attrs.get("person"):
            raise serializers.ValidationError({"person": "a crew is named already; one of them"})
        return attrs


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
        """To a state that its own allows; 409 tells which these are.

        422 with `as_left`: things are left on the path that are not answered for.
        """
        call = call_matched(request, public_id)
        body = read_body(request, MoveNew)
        left = left_answers(body.pop("left", []))
        call_move(call=call, move=Move(**body, left=left), version=call.version, by=self.actor)
        return call_response(request, public_id, 201)


class CallAssign(Resource):
    """Giving a call to somebody."""

    @described(
        "call_assign",
        "Give a call to a crew or a person",
        Answer(OneCallDocument, tagged=True),
        body=AssignNew,
        headers=[IF_MATCH],
    )
    def post(self, request: Request, public_id: str) -> Response:
        """To one of them, or with null to nobody. 409: the call has ended."""
        call = call_matched(request, public_id)
        body = read_body(request, AssignNew)
        crew = named(crew_get, body.get("crew"), "/crew")
        person = named(person_get, body.get("person"), "/person")
        call_assign(call=call, to=crew or person, version=call.version, by=self.actor)
        return call_response(request, public_id)


def left_answers(rows: list[dict[str, Any]]) -> tuple[LeftAnswer, ...]:
    """The answers that a body gives for what is left on a path."""
    return tuple(LeftAnswer(**row) for row in rows)
