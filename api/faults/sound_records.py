"""/wire-paths/{id}/sound-records: what the legs of a path read when they were sound."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import Answer, described, page_document
from api.faults.return_tests import MOST_LEGS, RiseDocument
from api.pagination import PageQuery, page_of, page_response
from api.resource import Resource
from api.strict import Choice, Flag, Number, StrictSerializer, Text, read_body, read_query
from faults.models.return_test import SoundRecord, SoundSource
from faults.selectors.repairs import sound_record_list
from faults.services.sound_records import LegSound, sound_record
from sites.selectors.paths import path_get

_TAKEN_BY_HAND = [SoundSource.START_UP.value, SoundSource.INSPECTION.value]


class SoundRecordDocument(serializers.Serializer[SoundRecord]):
    """What a leg read when it was sound."""

    id = serializers.CharField(source="public_id")
    leg = serializers.CharField()
    taken_at = serializers.CharField(source="source", help_text=f"One of {', '.join(SoundSource)}.")
    revision = serializers.IntegerField(help_text="Of the map.")
    current_ma = serializers.FloatField(allow_null=True)
    coil = serializers.BooleanField(help_text="The series coil was in.")
    far_v = serializers.FloatField(allow_null=True)
    insulation_mohm = serializers.FloatField(allow_null=True)
    wet = serializers.BooleanField(allow_null=True)
    meter = serializers.CharField()
    at = serializers.DateTimeField()
    by_name = serializers.CharField()


class SoundTakenDocument(serializers.Serializer[Any]):
    """What was recorded, which legs have risen since the records before, what is doubted."""

    records = SoundRecordDocument(many=True)
    rises = RiseDocument(many=True)
    warnings = serializers.ListField(
        child=serializers.CharField(),
        help_text="Readings that cannot be so, in words; they are kept.",
    )


class LegSoundNew(StrictSerializer):
    """What a leg read; one of the figures at least."""

    leg = Text(max_length=64)
    current_ma = Number(min_value=0, required=False, allow_null=True)
    coil = Flag(required=False, help_text="The series coil was in; absent: it was out.")
    far_v = Number(min_value=0, required=False, allow_null=True)
    insulation_mohm = Number(min_value=0, required=False, allow_null=True)
    wet = Flag(required=False, allow_null=True, help_text="The ground; null: not said.")
    meter = Text(max_length=120, required=False, allow_blank=True)


class SoundRecordsNew(StrictSerializer):
    """Readings of legs that are sound."""

    taken_at = Choice(choices=_TAKEN_BY_HAND)
    legs = serializers.ListField(child=LegSoundNew(), min_length=1, max_length=MOST_LEGS)


class WirePathSoundRecords(Resource):
    """Sound records of a wire path."""

    @described(
        "wire_path_sound_records",
        "List the sound records of a wire path",
        Answer(page_document(SoundRecordDocument)),
        query=PageQuery,
    )
    def get(self, request: Request, public_id: str) -> Response:
        """Records of all its legs, the newest first."""
        rows = sound_record_list(path_get(public_id))
        page = page_of(rows, read_query(request, PageQuery), "-id")
        return page_response(request, page, SoundRecordDocument)

    @described(
        "sound_records_take",
        "Take sound records",
        Answer(SoundTakenDocument, 201),
        body=SoundRecordsNew,
    )
    def post(self, request: Request, public_id: str) -> Response:
        """At start-up or an inspection; what a return test reads is recorded by the test itself."""
        path = path_get(public_id)
        body = read_body(request, SoundRecordsNew)
        legs = [LegSound(**row) for row in body["legs"]]
        taken = sound_record(path=path, source=body["taken_at"], legs=legs, by=self.actor)
        return Response(SoundTakenDocument(taken).data, 201)
