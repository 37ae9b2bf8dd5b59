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
from api.strict import (
    Choice,
    Flag,
    Number,
    QuerySerializer,
    StrictSerializer,
    Text,
    Whole,
    read_body,
    read_query,
)
from api.throttles import HEAVY
from core.problems import Defect
from core.text_checks import refuse_defects
from faults.forms.place import place_document, read_place
from faults.models.work import PartialRestore
from faults.place_checks import place_on_path_defects
from faults.selectors.calls import call_get
from faults.selectors.partial_restores import RestoreProposal, partial_restore_propose
from faults.services.call_details import MOST_STATION, MOST_STATIONS
from faults.services.call_moves import MOST_WORDS
from faults.services.partial_restores import (
    RestoreDone,
    partial_restore_done,
    partial_restore_undone,
)

MOST_PLACES = 100
MOST_ID = 64
_OF_WHAT_IS_OFF = ("left_off", "stations_lost", "unnumbered_lost", "least_device_v", "is_predicted")


class PartialRestoreDocument(serializers.Serializer[PartialRestore]):
    """That all but a part waters again, or that nothing is left off any more."""

    id = serializers.CharField(source="public_id")
    all_on = serializers.BooleanField(help_text="Nothing is left off any more.")
    left_off = serializers.ListField(child=serializers.DictField())
    stations_lost = serializers.ListField(child=serializers.IntegerField())
    unnumbered_lost = serializers.IntegerField(help_text="Outputs without a station number.")
    least_device_v = serializers.FloatField(allow_null=True)
    is_predicted = serializers.BooleanField(help_text="That voltage was reckoned and not read.")
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
    unnumbered_lost = Whole(
        min_value=0,
        max_value=MOST_STATIONS,
        required=False,
        help_text="Outputs without a station number beside those. Absent: those of the devices "
        "left off, where no station is named either.",
    )
    least_device_v = Number(
        min_value=0, required=False, allow_null=True, help_text="At a device that is on."
    )
    is_predicted = Flag(required=False, help_text="That voltage was reckoned and not read.")
    note = Text(max_length=MOST_WORDS, required=False, allow_blank=True)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """Raise ValidationError where all is on and something is left off."""
        if attrs.get("all_on"):
            for name in _OF_WHAT_IS_OFF:
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


class RestoreActDocument(serializers.Serializer[Any]):
    """One thing to do, with what can hurt at it."""

    do = serializers.CharField(help_text="`power`, `part`, `rejoin`, `close` or `read`.")
    node = serializers.CharField()
    told = serializers.CharField()
    wires = serializers.ListField(child=serializers.CharField())
    cautions = serializers.ListField(child=serializers.CharField())


class RestoreProposalDocument(serializers.Serializer[Any]):
    """The smallest part to leave off so that the rest waters, and how."""

    left_off = serializers.ListField(
        child=serializers.DictField(), help_text="As it is said once it is done."
    )
    without_power = serializers.ListField(
        child=serializers.DictField(), help_text="All that gets no power then."
    )
    stations_lost = serializers.ListField(child=serializers.IntegerField())
    unnumbered_lost = serializers.IntegerField(help_text="Outputs without a station number.")
    devices_dry = serializers.ListField(child=serializers.CharField())
    splices = serializers.IntegerField(help_text="To part and to join.")
    cable_off_m = serializers.FloatField()
    least_device_v = serializers.FloatField(
        allow_null=True, help_text="Predicted, at the weakest device that is on."
    )
    acts = RestoreActDocument(many=True, help_text="In order.")
    is_smallest = serializers.BooleanField(
        help_text="False: limits had to be kept device by device; a smaller part may do."
    )


class RestoreProposalQuery(QuerySerializer):
    """The place that must be off; absent: what is proved, or suspected."""

    kind = Choice(choices=("device", "splice", "segment", "unmapped"), required=False)
    place = Text(max_length=MOST_ID, required=False, help_text="Its id on the map.")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """Raise ValidationError where one of the two is missing."""
        if len(attrs) == 1:
            missing = "place" if "kind" in attrs else "kind"
            told = "is wanted too: kind and place are given together, or neither"
            raise serializers.ValidationError({missing: told})
        return attrs


class CallPartialRestoreProposal(Resource):
    """What to leave off so that the rest of a call's path waters today."""

    limit_name = HEAVY

    @described(
        "partial_restore_proposal",
        "Propose what to leave off",
        Answer(RestoreProposalDocument),
        query=RestoreProposalQuery,
    )
    def get(self, request: Request, public_id: str) -> Response:
        """Fewest stations dry, then fewest splices, then least cable; limits of the path kept.

        409: the call names no path, nothing on it is suspected, or no part can be left off.
        """
        call = call_get(public_id)
        asked = read_query(request, RestoreProposalQuery)
        place = None
        if asked:
            document = {asked["kind"]: asked["place"]}
            unknown = place_on_path_defects("", document, call.path)
            refuse_defects("place", [Defect("/place", one.what, one.right) for one in unknown])
            place = read_place(document)
        return Response(_proposal_document(partial_restore_propose(call, place)))


def _proposal_document(proposal: RestoreProposal) -> dict[str, Any]:
    proposed, done = proposal.proposed, proposal.done
    return {
        "left_off": list(done.left_off),
        "without_power": [place_document(place) for place in proposed.left_off],
        "stations_lost": list(proposed.stations_lost),
        "unnumbered_lost": done.unnumbered_lost,
        "devices_dry": list(proposed.devices_dry),
        "splices": proposed.cost.splices,
        "cable_off_m": round(proposed.cable_off_m, 2),
        "least_device_v": done.least_device_v,
        "acts": RestoreActDocument(proposed.acts, many=True).data,
        "is_smallest": proposed.exact,
    }
