"""/calls/{id}/removed-parts and /removed-parts: parts taken out, opened, tested on the bench."""

from __future__ import annotations

from dataclasses import fields

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, IF_NONE_MATCH, Answer, described, page_document
from api.faults.photo_forms import PhotoDocument
from api.faults.places import PlaceNew
from api.pagination import PageQuery, page_of, page_response
from api.preconditions import require_version, versioned_response
from api.references import named, one_of
from api.resource import Resource
from api.strict import Choice, PublicId, StrictSerializer, Text, read_body, read_query
from faults.models.repair import BenchResult, Cause, RemovedPart
from faults.selectors.calls import call_get
from faults.selectors.repairs import removed_part_list, repair_get
from faults.services.call_moves import MOST_WORDS
from faults.services.removed_parts import PartDetails, PartSeen, part_look, part_remove


class RemovedPartDocument(serializers.Serializer[RemovedPart]):
    """A part that was taken out, and what was seen of it since."""

    id = serializers.CharField(source="public_id")
    call = serializers.CharField(source="call.public_id")
    repair = serializers.CharField(source="repair.public_id", allow_null=True, default=None)
    tag = serializers.CharField(help_text="What is tied to it.")
    what = serializers.CharField()
    at_place = serializers.DictField(help_text="In the words of the forms; empty: not said.")
    removed_at = serializers.DateTimeField()
    removed_by_name = serializers.CharField()
    cause = serializers.ChoiceField(choices=Cause.values)
    cause_note = serializers.CharField()
    bench_result = serializers.ChoiceField(choices=BenchResult.values)
    bench_note = serializers.CharField()
    bench_at = serializers.DateTimeField(allow_null=True)
    photos = PhotoDocument(many=True, source="photos.all")


class RemovedPartNew(StrictSerializer):
    """A part that was taken out."""

    tag = Text(max_length=60, help_text="Tied to it; no other part of the contractor has it.")
    what = Text(max_length=200)
    at_place = PlaceNew(required=False)
    repair = PublicId("rep", required=False, help_text="The repair of this call it came from.")


class RemovedPartEdit(StrictSerializer):
    """What opening it and testing it showed; what is absent stays."""

    cause = Choice(choices=Cause.values, required=False)
    cause_note = Text(max_length=MOST_WORDS, required=False, allow_blank=True)
    bench_result = Choice(choices=BenchResult.values, required=False)
    bench_note = Text(max_length=MOST_WORDS, required=False, allow_blank=True)


class CallRemovedParts(Resource):
    """Parts taken out for a call."""

    @described(
        "call_removed_parts",
        "List the parts taken out for a call",
        Answer(page_document(RemovedPartDocument)),
        query=PageQuery,
    )
    def get(self, request: Request, public_id: str) -> Response:
        """Parts, the newest first."""
        rows = removed_part_list(call_get(public_id))
        page = page_of(rows, read_query(request, PageQuery), "-id")
        return page_response(request, page, RemovedPartDocument)

    @described(
        "removed_part_new",
        "Write down a part that was taken out",
        Answer(RemovedPartDocument, 201, tagged=True),
        body=RemovedPartNew,
    )
    def post(self, request: Request, public_id: str) -> Response:
        """409: the tag is tied to another part; `part` names that one."""
        call = call_get(public_id)
        body = read_body(request, RemovedPartNew)
        repair = named(repair_get, body.pop("repair", None), "/repair")
        part = part_remove(call=call, details=PartDetails(**body), repair=repair, by=self.actor)
        return _response(request, part.public_id, 201)


class OneRemovedPart(Resource):
    """A part that was taken out."""

    @described(
        "removed_part",
        "A part that was taken out",
        Answer(RemovedPartDocument, tagged=True),
        headers=[IF_NONE_MATCH],
    )
    def get(self, request: Request, public_id: str) -> Response:
        """The part, what was seen of it, its photos."""
        return _response(request, public_id)

    @described(
        "removed_part_look",
        "Write down what a part showed",
        Answer(RemovedPartDocument, tagged=True),
        body=RemovedPartEdit,
        headers=[IF_MATCH],
    )
    def patch(self, request: Request, public_id: str) -> Response:
        """When it was opened, and on the bench."""
        part = removed_part_get(public_id)
        require_version(request, part.version)
        body = read_body(request, RemovedPartEdit)
        seen = {one.name: body.get(one.name, getattr(part, one.name)) for one in fields(PartSeen)}
        part_look(part=part, seen=PartSeen(**seen), version=part.version, by=self.actor)
        return _response(request, public_id)


def removed_part_get(public_id: str) -> RemovedPart:
    """A part, as in ``removed_part_list``. Raises NotFound."""
    return one_of(removed_part_list(), public_id, "removed part")


def _response(request: Request, public_id: str, status: int = 200) -> Response:
    part = removed_part_get(public_id)
    return versioned_response(request, RemovedPartDocument(part).data, part.version, status)
