"""/calls/{id}/repairs and /repairs: what was put right, and whether it holds."""

from __future__ import annotations

from dataclasses import asdict
from decimal import Decimal
from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import Answer, described, page_document
from api.faults.photo_forms import PhotoDocument
from api.faults.places import PlaceNew
from api.pagination import PageQuery, page_of, page_response
from api.references import named
from api.resource import Resource
from api.strict import (
    Choice,
    Money,
    Number,
    PublicId,
    StrictSerializer,
    Text,
    Whole,
    read_body,
    read_query,
)
from faults.models.repair import RemovedPart, Repair, RepairFailure, RepairKind, SoakCheck
from faults.selectors.calls import call_get
from faults.selectors.repairs import repair_get, repair_hold, repair_list
from faults.services.call_moves import MOST_WORDS
from faults.services.repairs import (
    MOST_MINUTES,
    MOST_PARTS,
    PartUsed,
    RepairDetails,
    repair_did_not_hold,
    repair_record,
)

MOST_COUNT = 10_000
MOST_SPLICES = 1000


class PartUsedDocument(serializers.Serializer[Any]):
    """A part that went in."""

    name = serializers.CharField()
    count = serializers.IntegerField()


class PartTakenDocument(serializers.Serializer[RemovedPart]):
    """A part that was taken out, in short; the rest is at `/removed-parts/{id}`."""

    id = serializers.CharField(source="public_id")
    tag = serializers.CharField()
    what = serializers.CharField()


class RepairCheckDocument(serializers.Serializer[SoakCheck]):
    """When a repair is to be looked at wet; what came of it is at `/soak-checks/{id}`."""

    id = serializers.CharField(source="public_id")
    state = serializers.CharField()
    due_from = serializers.DateField()
    due_by = serializers.DateField()


class RepairFailureDocument(serializers.Serializer[RepairFailure]):
    """That a repair did not hold."""

    call = serializers.CharField(
        source="call.public_id", help_text="The call in which that came to light."
    )
    why = serializers.CharField()
    at = serializers.DateTimeField()
    by_name = serializers.CharField()


class RepairDocument(serializers.Serializer[Repair]):
    """One repair of a call."""

    id = serializers.CharField(source="public_id")
    call = serializers.CharField(source="call.public_id")
    finding = serializers.CharField(
        source="finding.public_id",
        allow_null=True,
        default=None,
        help_text="The proof that stood when it was made.",
    )
    kind = serializers.CharField(help_text=f"One of {', '.join(RepairKind)}.")
    at_place = serializers.DictField(help_text="In the words of the forms; empty: not said.")
    parts = PartUsedDocument(many=True)
    splice_kind = serializers.CharField()
    splices_made = serializers.IntegerField()
    minutes = serializers.FloatField()
    money = serializers.DecimalField(max_digits=12, decimal_places=2, allow_null=True)
    note = serializers.CharField()
    at = serializers.DateTimeField()
    by_kind = serializers.CharField()
    by_id = serializers.CharField()
    by_name = serializers.CharField()
    removed_parts = PartTakenDocument(many=True, source="removed_parts.all")
    photos = PhotoDocument(many=True, source="photos.all")
    soak_checks = RepairCheckDocument(many=True, source="soak_checks.all")
    failures = RepairFailureDocument(many=True, source="failures.all")


class RepairHoldDocument(serializers.Serializer[Any]):
    """How a repair has held so far, or until it was known to have failed."""

    wet_days = serializers.IntegerField()
    energised_days = serializers.IntegerField(allow_null=True, help_text="Null: nothing tells.")
    messages = serializers.IntegerField(help_text="Overcurrent messages since.")
    failed = serializers.BooleanField()


class OneRepairDocument(RepairDocument):
    """A repair and how it has held."""

    hold = RepairHoldDocument()


class PartUsedNew(StrictSerializer):
    """A part that went in, and how many."""

    name = Text(max_length=120)
    count = Whole(min_value=1, max_value=MOST_COUNT, required=False)


class RepairNew(StrictSerializer):
    """What was done."""

    kind = Choice(choices=RepairKind.values)
    minutes = Number(min_value=0, max_value=MOST_MINUTES)
    at_place = PlaceNew(required=False)
    parts = serializers.ListField(child=PartUsedNew(), required=False, max_length=MOST_PARTS)
    splice_kind = Text(max_length=120, required=False, allow_blank=True)
    splices_made = Whole(max_value=MOST_SPLICES, required=False)
    money = Money(required=False, allow_null=True, help_text="Parts and others' bills.")
    note = Text(max_length=MOST_WORDS, required=False, allow_blank=True)


class RepairFailureNew(StrictSerializer):
    """That a repair did not hold, and in which call that shows."""

    call = PublicId("call", help_text="Its own call, or a later one of the same wire path.")
    why = Text(max_length=MOST_WORDS)


class CallRepairs(Resource):
    """Repairs of a call."""

    @described(
        "call_repairs",
        "List the repairs of a call",
        Answer(page_document(RepairDocument)),
        query=PageQuery,
    )
    def get(self, request: Request, public_id: str) -> Response:
        """Its repairs, the newest first."""
        rows = repair_list(call_get(public_id))
        page = page_of(rows, read_query(request, PageQuery), "-id")
        return page_response(request, page, RepairDocument)

    @described(
        "repair_record", "Write down a repair", Answer(OneRepairDocument, 201), body=RepairNew
    )
    def post(self, request: Request, public_id: str) -> Response:
        """While the call is `repairing`; 409 tells where it may go from where it is.

        A look at it when it is wet is due from then on.
        """
        call = call_get(public_id)
        body = read_body(request, RepairNew)
        parts = tuple(PartUsed(**row) for row in body.pop("parts", []))
        if body.get("money") is not None:
            body["money"] = Decimal(body["money"])
        details = RepairDetails(**body, parts=parts)
        repair = repair_record(call=call, details=details, by=self.actor)
        return _response(repair.public_id, 201)


class OneRepair(Resource):
    """A repair."""

    @described("repair", "A repair", Answer(OneRepairDocument))
    def get(self, request: Request, public_id: str) -> Response:  # noqa: ARG002
        """What was done, with its parts, photos and how it has held."""
        return _response(public_id)


class RepairFailures(Resource):
    """Repairs that did not hold."""

    @described(
        "repair_did_not_hold",
        "Say that a repair did not hold",
        Answer(OneRepairDocument, 201),
        body=RepairFailureNew,
    )
    def post(self, request: Request, public_id: str) -> Response:
        """Said again of the same call, it stays one."""
        repair = repair_get(public_id)
        body = read_body(request, RepairFailureNew)
        call = named(call_get, body["call"], "/call")
        assert call is not None  # noqa: S101 - the form asks for it
        repair_did_not_hold(repair=repair, call=call, why=body["why"], by=self.actor)
        return _response(public_id, 201)


def _response(public_id: str, status: int = 200) -> Response:
    repair = repair_get(public_id)
    hold = asdict(repair_hold(repair))
    return Response(RepairDocument(repair).data | {"hold": hold}, status)
