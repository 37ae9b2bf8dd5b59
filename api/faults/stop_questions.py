"""/calls/{id}/stop-questions and /limits: up to where a call may go, and what is decided there."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import Answer, described
from api.resource import Resource
from api.strict import Choice, Money, Number, StrictSerializer, Text, read_body
from faults.models.work import StopAnswer, StopChoice
from faults.selectors.calls import call_get
from faults.selectors.stop_rule import stop_answers, stop_question
from faults.services.call_moves import MOST_WORDS
from faults.services.stop_rule import limit_set, stop_answer

MOST_MINUTES = 1_000_000


class StopSpentDocument(serializers.Serializer[Any]):
    """What a call has cost so far."""

    minutes = serializers.FloatField()
    money = serializers.FloatField(help_text="Besides the hours.")


class StopWayDocument(serializers.Serializer[Any]):
    """One way on, likely (P50) and in nine of ten cases (P90); null: not known."""

    choice = serializers.CharField(help_text=f"One of {', '.join(StopChoice)}.")
    p50_min = serializers.FloatField(allow_null=True)
    p90_min = serializers.FloatField(allow_null=True)
    p50_money = serializers.FloatField(allow_null=True)
    p90_money = serializers.FloatField(allow_null=True)


class StopQuestionDocument(serializers.Serializer[Any]):
    """Where a call stands against its limit, as it was shown."""

    limit_minutes = serializers.FloatField(allow_null=True)
    limit_money = serializers.CharField(allow_null=True)
    spent = StopSpentDocument()
    share = serializers.FloatField(
        allow_null=True,
        help_text="Of the limit; 1: all of it. Null: a limit of money cannot be reckoned without "
        "`hour_money` of the rules.",
    )
    currency = serializers.CharField()
    ways = StopWayDocument(many=True)


class StopAnswerDocument(serializers.Serializer[StopAnswer]):
    """What was answered, and what was shown then."""

    choice = serializers.CharField(help_text=f"One of {', '.join(StopChoice)}.")
    why = serializers.CharField()
    question = StopQuestionDocument()
    at = serializers.DateTimeField()
    by_id = serializers.CharField()
    by_name = serializers.CharField()


class StopRuleDocument(serializers.Serializer[Any]):
    """Whether it is time to decide, what the ways on cost, and what was decided."""

    asks = serializers.BooleanField(
        help_text="It is time to decide, and nobody has since: answers from 80 % of the limit on "
        "count, earlier ones are kept."
    )
    question = StopQuestionDocument(allow_null=True, help_text="Null: the call has no limit.")
    answers = StopAnswerDocument(many=True)


class StopAnswerNew(StrictSerializer):
    """What to do as the limit comes near."""

    choice = Choice(choices=StopChoice.values)
    why = Text(max_length=MOST_WORDS, required=False, allow_blank=True)


class LimitNew(StrictSerializer):
    """Up to how many minutes, or how much money, a call may cost: one of them."""

    minutes = Number(min_value=0, max_value=MOST_MINUTES, required=False, allow_null=True)
    money = Money(required=False, allow_null=True)
    why = Text(max_length=MOST_WORDS, required=False, allow_blank=True)


class CallStopQuestions(Resource):
    """The stop rule of a call."""

    @described("call_stop_questions", "Where a call stands", Answer(StopRuleDocument))
    def get(self, request: Request, public_id: str) -> Response:  # noqa: ARG002
        """Against its limit, with what was answered before, the oldest first."""
        return _response(public_id)

    @described(
        "stop_answer", "Decide how to go on", Answer(StopRuleDocument, 201), body=StopAnswerNew
    )
    def post(self, request: Request, public_id: str) -> Response:
        """What was shown is kept with it. 409: the call has no limit."""
        call = call_get(public_id)
        stop_answer(call=call, **read_body(request, StopAnswerNew), by=self.actor)
        return _response(public_id, 201)


class CallLimits(Resource):
    """Limits of a call."""

    @described(
        "limit_set", "Approve a call up to a limit", Answer(StopRuleDocument, 201), body=LimitNew
    )
    def post(self, request: Request, public_id: str) -> Response:
        """The newest one holds, and it is asked anew near it."""
        call = call_get(public_id)
        body = read_body(request, LimitNew)
        if body.get("money") is not None:
            body["money"] = Decimal(body["money"])
        limit_set(call=call, **body, by=self.actor)
        return _response(public_id, 201)


def _response(public_id: str, status: int = 200) -> Response:
    call = call_get(public_id)
    question = stop_question(call)
    rows: Any = stop_answers(call)
    answers = StopAnswerDocument(rows, many=True).data
    document = {
        "asks": question is not None and question.asks,
        "question": None if question is None else question.document(),
        "answers": answers,
    }
    return Response(document, status)
