"""What a call looks like, and what is said of one when it is opened or changed."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from django.db.models import QuerySet
from rest_framework import serializers

from api.sites.controllers import LabelledDocument
from api.sites.properties import NamedDocument
from api.strict import Choice, Flag, Moment, PublicId, StrictSerializer, Text, Whole
from faults.models.call import CallKind, FaultCall, Urgency
from faults.services.call_details import MOST_STATION, MOST_STATIONS, CallDetails
from faults.services.call_moves import MOST_WORDS
from faults.transitions import CallState

_KINDS = f"One of {', '.join(f'`{word}`' for word in CallKind)}."


class CallDocument(serializers.Serializer[FaultCall]):
    """Work promised to a property."""

    id = serializers.CharField(source="public_id")
    state = serializers.ChoiceField(choices=CallState.values)
    outcome = serializers.CharField(help_text="Of a closed call; else empty.")
    outcome_reason = serializers.CharField()
    closing_test = serializers.CharField(
        source="closing_test.public_id",
        allow_null=True,
        default=None,
        help_text="The return test that it was closed on.",
    )
    untested_why = serializers.CharField(help_text="Why it was closed without a return test.")
    urgency = serializers.ChoiceField(choices=Urgency.values)
    kind = serializers.CharField(help_text=_KINDS)
    note = serializers.CharField()
    property = NamedDocument()
    controller = NamedDocument(allow_null=True)
    path = LabelledDocument(allow_null=True)
    crew = NamedDocument(allow_null=True)
    person = NamedDocument(allow_null=True)
    only_with_station = serializers.IntegerField(
        allow_null=True, help_text="The message comes only while this station runs."
    )
    dry_stations = serializers.ListField(child=serializers.IntegerField())
    after_rain = serializers.BooleanField()
    after_lightning = serializers.BooleanField()
    digging_nearby = serializers.BooleanField()
    promised_by = serializers.DateTimeField(allow_null=True)
    contact = serializers.CharField(help_text="Whom to ring on the way.")
    access_hours = serializers.CharField(
        help_text="When one is let in; plans keep to hours such as `mon-fri 08:00-16:00`."
    )
    partly_restored = serializers.BooleanField(help_text="All but a part waters again.")
    wait_kind = serializers.CharField(help_text="What a waiting call waits for; else empty.")
    wait_reason = serializers.CharField()
    waits_until = serializers.DateField(allow_null=True)
    reports = serializers.IntegerField(help_text="Reports by people, the first one too.")
    overcurrents = serializers.IntegerField(help_text="Overcurrent events on it.")
    opened_at = serializers.DateTimeField(help_text="When the fault was first seen.")
    opened_by_name = serializers.CharField()
    last_event_at = serializers.DateTimeField(allow_null=True)
    created_at = serializers.DateTimeField()
    closed_at = serializers.DateTimeField(allow_null=True)


class OneCallDocument(CallDocument):
    """A call, with the states it may move to and what is without water."""

    legal_moves = serializers.ListField(child=serializers.ChoiceField(choices=CallState.values))
    stations_dry = serializers.IntegerField(
        help_text="Stations without water now; none out of season."
    )


def shown(calls: QuerySet[FaultCall]) -> QuerySet[FaultCall]:
    """The calls with all that their documents show joined."""
    return calls.select_related("crew", "person", "closing_test")


class _Details(StrictSerializer):
    """What people say of a call."""

    urgency = Choice(choices=Urgency.values, required=False)
    note = Text(max_length=MOST_WORDS, required=False, allow_blank=True)
    path = PublicId("path", required=False, help_text="The wire path it is about.")
    kind = Text(max_length=20, required=False, help_text=_KINDS)
    only_with_station = Whole(
        min_value=1,
        max_value=MOST_STATION,
        required=False,
        allow_null=True,
        help_text="The message comes only while this station runs.",
    )
    dry_stations = serializers.ListField(
        child=Whole(min_value=1, max_value=MOST_STATION),
        max_length=MOST_STATIONS,
        required=False,
        help_text="Stations without water; wanted with `stations`.",
    )
    after_rain = Flag(required=False)
    after_lightning = Flag(required=False)
    digging_nearby = Flag(required=False)
    promised_by = Moment(required=False, allow_null=True)
    contact = Text(max_length=200, required=False, allow_blank=True)
    access_hours = Text(max_length=200, required=False, allow_blank=True)


class CallNew(_Details):
    """A call to be: at a path, or, where that is not known, a controller or a property."""

    property = PublicId("prop", required=False)
    controller = PublicId("ctl", required=False)
    fold = Flag(
        required=False,
        help_text="Where a call is open there that this belongs to, count it on that one; the "
        "answer is that call then. Absent or false: 409.",
    )
    since = Moment(required=False, help_text="When it was first seen; with `fold` alone.")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """Raise ValidationError where a member says nothing without another."""
        if "since" in attrs and not attrs.get("fold"):
            raise serializers.ValidationError({"since": "is taken with `fold` alone"})
        return attrs


class CallEdit(_Details):
    """What to change of a call; what is absent stays."""


def details_in(body: dict[str, Any]) -> dict[str, Any]:
    """The members of a body that ``CallDetails`` has."""
    said = {one.name: body[one.name] for one in fields(CallDetails) if one.name in body}
    if "dry_stations" in said:
        said["dry_stations"] = tuple(said["dry_stations"])
    return said
