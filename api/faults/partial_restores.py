"""/calls/{id}/partial-restore: the rest of a path waters while the faulty part is left off."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, Answer, described, page_document
from api.faults.call_forms import OneCallDocument
from api.faults.calls import call_matched, call_response
from api.faults.places import PlaceLeftOff
from api.pagination import PageQuery, page_of, page_response
from api.resource import Resource
from api.strict import Flag, Number, StrictSerializer, Text, Whole, read_body, read_query
from faults.models.work import PartialRestore
from faults.selectors.calls import call_get
from faults.services.call_details import MOST_STATION, MOST_STATIONS
from faults.services.call_moves import MOST_WORDS
from faults.services.partial_restores import (
    RestoreDone,
    partial_restore_done,
    partial_restore_undone,
)

MOST_PLACES = 100


class PartialRestoreDocument(serializers.Serializer[PartialRestore]):
    """That all but a part waters again, or that nothing is left off any more."""

    id = serializers.CharField(source="public_id")
    all_on = serializers.BooleanField(help_text="Nothing is left off any more.")
    left_off = serializers.ListField(child=serializers.DictField())
    stations_lost = serializers.ListField(child=serializers.IntegerField())
    least_device_v = serializers.FloatField(allow_null=True)
    note = serializers.CharField()
    at = serializers.DateTimeField()
    by_id = serializers.CharField()
    by_name = serializers.CharField()


class PartialRestoreNew(StrictSerializer):
    """What was left off and what that costs; or, with `all_on`, that nothing is."""

    all_on = Flag(required=False)
    left_off = serializers.ListField(
        child=PlaceLeftOff(), max_length=MOST_PLACES, required=False, help_text="Asked for."
    )
    stations_lost = serializers.ListField(
        child=Whole(min_value=1, max_value=MOST_STATION), max_length=MOST_STATIONS, required=False
    )
    least_device_v = Number(
        min_value=0, required=False, allow_null=True, help_text="At a device that is on."
    )
    note = Text(max_length=MOST_WORDS, required=False, allow_blank=True)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """Raise ValidationError where all is on and something is left off."""
        if attrs.get("all_on"):
            for name in ("left_off", "stations_lost", "least_device_v"):
                if name in attrs:
                    raise serializers.ValidationError({name: "is not taken where all is on"})
        return attrs


class CallPartialRestore(Resource):
    """Partial restores of a call."""

    @described(
        "call_partial_restores",
        "List the partial restores of a call",
        Answer(page_document(PartialRestoreDocument)),
        query=PageQuery,
    )
    def get(self, request: Request, public_id: str) -> Response:
        """Each of them, the newest first: that one holds."""
        rows = PartialRestore.objects.filter(call=call_get(public_id))
        page = page_of(rows, read_query(request, PageQuery), "-id")
        return page_response(request, page, PartialRestoreDocument)

    @described(
        "partial_restore_done",
        "Say that all but a part waters again",
        Answer(OneCallDocument, 201, tagged=True),
        body=PartialRestoreNew,
        headers=[IF_MATCH],
    )
    def post(self, request: Request, public_id: str) -> Response:
        """Beside the call's state; what is off is left on the path with that reason.

        With `all_on`: nothing is left off any more. Joints are opened with the power off, by those
        who may by local rules. 409: the call has ended or names no path.
        """
        call = call_matched(request, public_id)
        body = read_body(request, PartialRestoreNew)
        if body.pop("all_on", False):
            note = body.get("note", "")
            partial_restore_undone(call=call, version=call.version, note=note, by=self.actor)
        else:
            done = RestoreDone(
                left_off=tuple(dict(place) for place in body.pop("left_off", [])),
                stations_lost=tuple(body.pop("stations_lost", [])),
                **body,
            )
            partial_restore_done(call=call, done=done, version=call.version, by=self.actor)
        return call_response(request, public_id, 201)
