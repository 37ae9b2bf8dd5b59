"""/calls/{id}/return-tests: the readings before a path goes back to service."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import Answer, described, page_document
from api.pagination import PageQuery, page_of, page_response
from api.resource import Resource
from api.strict import Flag, Number, StrictSerializer, Text, read_body, read_query
from api.throttles import HEAVY
from faults.leg_rises import Rise
from faults.models.return_test import ReturnTest, ReturnTestLeg
from faults.selectors.calls import call_get
from faults.selectors.leg_rises import rises_at
from faults.selectors.repairs import return_test_list
from faults.services.call_moves import MOST_WORDS
from faults.services.return_tests import LegReading, ReturnReadings, return_test_record
from faults.tracing.problem import Meter

MOST_LEGS = 100


class ReturnTestLegDocument(serializers.Serializer[ReturnTestLeg]):
    """What a leg read, and what it was held against."""

    leg = serializers.CharField()
    current_ma = serializers.FloatField()
    far_v = serializers.FloatField(allow_null=True)
    far_ohm = serializers.FloatField(allow_null=True)
    insulation_mohm = serializers.FloatField(allow_null=True)
    expected_ma = serializers.FloatField()
    sigma_ma = serializers.FloatField()
    basis = serializers.CharField(
        help_text="`sound-record`: its newest on this map; or the circuit's `prediction`."
    )
    least_far_v = serializers.FloatField(
        allow_null=True, help_text="The far end may read no less. Null: not held against it."
    )
    least_far_v_basis = serializers.CharField(
        help_text="`limit` of the path, `sound-record` or `prediction`; empty: not held."
    )
    within = serializers.BooleanField(help_text="Nothing speaks against the leg.")


class RiseDocument(serializers.Serializer[Rise]):
    """That the standing current of a leg has risen: a reason to inspect it."""

    leg = serializers.CharField()
    before_ma = serializers.FloatField()
    now_ma = serializers.FloatField()
    before_at = serializers.DateTimeField()


class ReturnTestDocument(serializers.Serializer[ReturnTest]):
    """A return test and whether it passed."""

    id = serializers.CharField(source="public_id")
    revision = serializers.IntegerField(help_text="Of the map.")
    passed = serializers.BooleanField()
    failures = serializers.ListField(
        child=serializers.CharField(), help_text="What speaks against the path, in words."
    )
    warnings = serializers.ListField(
        child=serializers.CharField(),
        help_text="Readings that cannot be so, and meters too coarse to tell; all are kept.",
    )
    legs = ReturnTestLegDocument(many=True, source="legs.all")
    rises = serializers.SerializerMethodField(
        help_text="Legs that drew more than at their sound record before, of a test that passed."
    )
    coil_out = serializers.BooleanField()
    quiet_min = serializers.FloatField()
    message_shown = serializers.BooleanField()
    terminal_v = serializers.FloatField(allow_null=True)
    least_terminal_v = serializers.FloatField(
        allow_null=True, help_text="The terminals may read no less. Null: not held against it."
    )
    least_terminal_v_basis = serializers.CharField(
        help_text="`limit` of the path or `prediction`; empty: not held."
    )
    wet = serializers.BooleanField(allow_null=True)
    meter = serializers.DictField()
    note = serializers.CharField()
    at = serializers.DateTimeField()
    by_kind = serializers.CharField()
    by_id = serializers.CharField()
    by_name = serializers.CharField()

    @extend_schema_field(RiseDocument(many=True))
    def get_rises(self, test: ReturnTest) -> list[dict[str, Any]]:
        """From the context, so that a page of tests costs one query."""
        return [RiseDocument(rise).data for rise in self.context["rises"][test.pk]]


class LegReadingNew(StrictSerializer):
    """What a leg reads at the controller, the coil out."""

    leg = Text(max_length=64)
    current_ma = Number(min_value=0)
    far_v = Number(min_value=0, required=False, allow_null=True)
    far_ohm = Number(min_value=0, required=False, allow_null=True, help_text="Kept and not judged.")
    insulation_mohm = Number(
        min_value=0,
        required=False,
        allow_null=True,
        help_text="To earth, path off; below 1 the test does not pass (common practice).",
    )


class MeterNew(StrictSerializer):
    """What is known of the clamp meter's spread; what is absent is taken as usual."""

    percent = Number(min_value=0, max_value=100, required=False)
    counts = Number(min_value=0, max_value=1000, required=False)
    resolution_ma = Number(min_value=0, max_value=1000, required=False)


class ReturnTestNew(StrictSerializer):
    """A return test as it was made."""

    legs = serializers.ListField(child=LegReadingNew(), max_length=MOST_LEGS)
    quiet_min = Number(
        min_value=0, help_text="Minutes without a message, the path on and the coil out."
    )
    message_shown = Flag(required=False)
    coil_out = Flag(required=False, help_text="Absent: it is out.")
    terminal_v = Number(
        min_value=0,
        required=False,
        allow_null=True,
        help_text="At the controller's terminals, all legs on; below `least_terminal_v` the test "
        "does not pass.",
    )
    wet = Flag(required=False, allow_null=True, help_text="The ground; null: not said.")
    meter = MeterNew(required=False)
    meter_name = Text(max_length=120, required=False, allow_blank=True)
    note = Text(max_length=MOST_WORDS, required=False, allow_blank=True)


class CallReturnTests(Resource):
    """Return tests of a call."""

    limit_name = HEAVY

    @described(
        "call_return_tests",
        "List the return tests of a call",
        Answer(page_document(ReturnTestDocument)),
        query=PageQuery,
    )
    def get(self, request: Request, public_id: str) -> Response:
        """Its return tests, the newest first."""
        rows = return_test_list(call_get(public_id))
        page = page_of(rows, read_query(request, PageQuery), "-id")
        return page_response(request, page, ReturnTestDocument, {"rises": rises_at(page.rows)})

    @described(
        "return_test_record",
        "Write down a return test",
        Answer(ReturnTestDocument, 201),
        body=ReturnTestNew,
    )
    def post(self, request: Request, public_id: str) -> Response:
        """While the call is `return-testing`; 409 tells where it may go from where it is.

        One that did not pass is kept too, with what speaks against the path. Measuring at an
        energised path, and opening the controller, is for those who may by local rules.
        """
        call = call_get(public_id)
        readings = _readings(read_body(request, ReturnTestNew))
        test = return_test_record(call=call, readings=readings, by=self.actor)
        return Response(ReturnTestDocument(test, context={"rises": rises_at([test])}).data, 201)


def _readings(body: dict[str, Any]) -> ReturnReadings:
    legs = tuple(LegReading(**row) for row in body.pop("legs"))
    meter = Meter(**body.pop("meter", {}))
    return ReturnReadings(legs=legs, meter=meter, **body)
