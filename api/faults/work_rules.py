"""/work-rules: how reports fold, when soak checks are due, what work costs."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, IF_NONE_MATCH, Answer, described
from api.preconditions import require_version, versioned_response
from api.resource import Resource
from api.strict import Money, Number, StrictSerializer, Text, Whole, read_body
from faults.models.work import WorkRules
from faults.services.work_rules import Rules, work_rules, work_rules_set

_FOLD = (
    "Where the wire path is not known, reports of the same place and kind within so many hours are "
    "one call. An overcurrent told later than this opens none. At least 1."
)
_MONEY = "Null: not known, and nothing is reckoned from it."


class WorkRulesDocument(serializers.Serializer[WorkRules]):
    """The contractor's own figures."""

    fold_hours = serializers.IntegerField(help_text=_FOLD)
    soak_from_days = serializers.IntegerField(help_text="A soak check is due from then on, if wet.")
    soak_by_days = serializers.IntegerField(help_text="And from then on in any case.")
    currency = serializers.CharField(help_text="ISO 4217; empty: not told.")
    hour_money = serializers.DecimalField(10, 2, allow_null=True, help_text=_MONEY)
    renew_metre_money = serializers.DecimalField(10, 2, allow_null=True, help_text=_MONEY)
    renew_metre_min = serializers.FloatField(help_text="Minutes to lay a metre anew.")
    repair_min = serializers.FloatField(help_text="Minutes of a usual repair.")


class WorkRulesBody(StrictSerializer):
    """The figures, whole; what is absent is the default."""

    fold_hours = Whole(required=False, help_text=_FOLD)
    soak_from_days = Whole(required=False)
    soak_by_days = Whole(required=False)
    currency = Text(max_length=3, required=False, allow_blank=True)
    hour_money = Money(required=False, allow_null=True)
    renew_metre_money = Money(required=False, allow_null=True)
    renew_metre_min = Number(min_value=0, required=False)
    repair_min = Number(min_value=0, required=False)


class WorkRulesResource(Resource):
    """The contractor's rules for its work."""

    @described(
        "work_rules",
        "Rules for work",
        Answer(WorkRulesDocument, tagged=True),
        headers=[IF_NONE_MATCH],
    )
    def get(self, request: Request) -> Response:
        """The defaults where none were set."""
        return _response(request, work_rules())

    @described(
        "work_rules_set",
        "Set the rules for work",
        Answer(WorkRulesDocument, tagged=True),
        body=WorkRulesBody,
        headers=[IF_MATCH],
    )
    def put(self, request: Request) -> Response:
        """They hold from the next report, repair and reckoning on."""
        version = work_rules().version
        require_version(request, version)
        body: dict[str, Any] = read_body(request, WorkRulesBody)
        for name in ("hour_money", "renew_metre_money"):
            if body.get(name) is not None:
                body[name] = Decimal(body[name])
        rules = work_rules_set(rules=Rules(**body), version=version, by=self.actor)
        return _response(request, rules)


def _response(request: Request, rules: WorkRules) -> Response:
    return versioned_response(request, WorkRulesDocument(rules).data, rules.version)
