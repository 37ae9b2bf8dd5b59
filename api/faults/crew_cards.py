"""/crews/{id}/card, /calls/{id}/needs, calendar addresses: what planning knows, and who is told."""

from __future__ import annotations

from typing import Any

from django.urls import reverse
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, IF_NONE_MATCH, Answer, described, page_document
from api.pagination import PageQuery, page_of, page_response
from api.preconditions import require_version, versioned_response
from api.resource import Resource
from api.strict import Number, StrictSerializer, Text, Whole, read_body, read_query
from core.accounts.directory import crew_get
from core.problems import NotFound
from faults.crew_hours import MOST_HOURS
from faults.models.dispatch import CalendarAddress, CallNeeds, CrewCard
from faults.selectors.calls import call_get
from faults.selectors.day_plans import (
    calendar_address_get,
    calendar_address_list,
    call_needs,
    crew_card,
)
from faults.services.calendar_addresses import calendar_address_issue, calendar_address_revoke
from faults.services.crew_cards import (
    MOST_DAYS_OFF,
    MOST_PEOPLE,
    MOST_WORDS,
    CallWants,
    CrewPlanned,
    call_needs_set,
    crew_card_set,
    crew_position_tell,
)

_CLOCK = r"(?:[01]\d|2[0-3]):[0-5]\d"


# Stated, for a database's own range would make the description depend on where it was written.
_PEOPLE = {"people": {"min_value": 1, "max_value": MOST_PEOPLE}}


def _clock() -> serializers.RegexField:
    return serializers.RegexField(rf"^{_CLOCK}\Z", help_text="HH:MM, local.")


class BreakBody(StrictSerializer):
    """A rest that begins between two clock times."""

    earliest = _clock()
    latest = _clock()
    minutes = Whole(min_value=1, max_value=600)


class AccessBody(StrictSerializer):
    """Hours on a weekday; a stop that is not after the start is on the next day."""

    weekday = Whole(min_value=0, max_value=6, help_text="Monday is 0.")
    start = _clock()
    stop = _clock()


class HoursBody(AccessBody):
    """A shift on a weekday."""

    breaks = BreakBody(many=True, required=False)


def _words() -> serializers.ListField:
    return serializers.ListField(child=Text(max_length=40), max_length=MOST_WORDS, required=False)


class WantsBody(StrictSerializer):
    """What a visit for a call wants of a crew."""

    people = Whole(min_value=1, max_value=MOST_PEOPLE, required=False)
    skills = _words()
    tools = _words()
    parts = serializers.DictField(
        child=Whole(min_value=0, max_value=10_000), required=False, help_text="Counts by word."
    )
    access = serializers.ListField(
        child=AccessBody(),
        max_length=MOST_HOURS,
        required=False,
        help_text="When people are let in, in the property's time zone; none: at any time.",
    )


class CardBody(StrictSerializer):
    """How a crew is planned with."""

    time_zone = Text(max_length=64)
    base_lat = Number(min_value=-90, max_value=90)
    base_lon = Number(min_value=-180, max_value=180)
    people = Whole(min_value=1, max_value=MOST_PEOPLE, required=False)
    skills = _words()
    tools = _words()
    parts = serializers.DictField(
        child=Whole(min_value=0, max_value=10_000),
        required=False,
        help_text="Counts aboard at a shift's start, by word.",
    )
    hours = serializers.ListField(child=HoursBody(), max_length=MOST_HOURS, required=False)
    days_off = serializers.ListField(
        child=Text(max_length=10), max_length=MOST_DAYS_OFF, required=False
    )


class PositionBody(StrictSerializer):
    """Where a crew is now."""

    lat = Number(min_value=-90, max_value=90)
    lon = Number(min_value=-180, max_value=180)


class CardDocument(serializers.ModelSerializer[CrewCard]):
    """How a crew is planned with, and where it was last."""

    class Meta:
        model = CrewCard
        fields = (
            *("time_zone", "base_lat", "base_lon", "people", "skills", "tools", "parts"),
            *("hours", "days_off", "position_lat", "position_lon", "position_at"),
        )
        extra_kwargs = _PEOPLE


class NeedsDocument(serializers.ModelSerializer[CallNeeds]):
    """What a visit for a call wants of a crew."""

    class Meta:
        model = CallNeeds
        fields = ("people", "skills", "tools", "parts", "access")
        extra_kwargs = _PEOPLE


class CalendarAddressDocument(serializers.Serializer[CalendarAddress]):
    """An address of a crew's calendar."""

    id = serializers.CharField(source="public_id")
    created_at = serializers.DateTimeField()
    by_name = serializers.CharField()
    revoked_at = serializers.DateTimeField(allow_null=True)


class CalendarAddressIssuedDocument(CalendarAddressDocument):
    """An address with its secret part, told once."""

    address = serializers.CharField(help_text="Kept by nobody here: note it down.")


class CrewCardResource(Resource):
    """How a crew is planned with."""

    @described(
        "crew_card",
        "How a crew is planned with",
        Answer(CardDocument, tagged=True),
        headers=[IF_NONE_MATCH],
    )
    def get(self, request: Request, public_id: str) -> Response:
        """404 where nothing was said of it yet: then it is not planned with."""
        card = crew_card(crew_get(public_id))
        if card is None:
            raise NotFound("This crew has no card yet.")
        return versioned_response(request, CardDocument(card).data, card.version)

    @described(
        "crew_card_set",
        "Say how a crew is planned with",
        Answer(CardDocument, tagged=True),
        body=CardBody,
        headers=[IF_MATCH],
    )
    def put(self, request: Request, public_id: str) -> Response:
        """All of it at once. `If-Match: "v0"` where nothing was said yet."""
        crew = crew_get(public_id)
        there = crew_card(crew)
        version = there.version if there else 0
        require_version(request, version)
        planned = CrewPlanned(**_plain(read_body(request, CardBody)))
        card = crew_card_set(crew=crew, planned=planned, version=version, by=self.actor)
        return versioned_response(request, CardDocument(card).data, card.version)


class CrewPosition(Resource):
    """Where a crew is."""

    @described(
        "crew_position_tell", "Say where a crew is", Answer(CardDocument, 201), body=PositionBody
    )
    def post(self, request: Request, public_id: str) -> Response:
        """A plan made within four hours starts from there. The crew needs a card."""
        crew = crew_get(public_id)
        card = crew_position_tell(crew=crew, **read_body(request, PositionBody), by=self.actor)
        return Response(CardDocument(card).data, 201)


class CallNeedsResource(Resource):
    """What a visit for a call wants."""

    @described(
        "call_needs",
        "What a visit for a call wants",
        Answer(NeedsDocument, tagged=True),
        headers=[IF_NONE_MATCH],
    )
    def get(self, request: Request, public_id: str) -> Response:
        """Skills, tools, parts, people, and when people are let in."""
        needs = call_needs(call_get(public_id))
        return versioned_response(request, NeedsDocument(needs).data, needs.version)

    @described(
        "call_needs_set",
        "Say what a visit for a call wants",
        Answer(NeedsDocument, tagged=True),
        body=WantsBody,
        headers=[IF_MATCH],
    )
    def put(self, request: Request, public_id: str) -> Response:
        """All of it at once."""
        call = call_get(public_id)
        version = call_needs(call).version
        require_version(request, version)
        wants = CallWants(**_plain(read_body(request, WantsBody)))
        needs = call_needs_set(call=call, wants=wants, version=version, by=self.actor)
        return versioned_response(request, NeedsDocument(needs).data, needs.version)


class CrewCalendarAddresses(Resource):
    """Addresses of a crew's calendar."""

    @described(
        "calendar_addresses",
        "List addresses of a crew's calendar",
        Answer(page_document(CalendarAddressDocument)),
        query=PageQuery,
    )
    def get(self, request: Request, public_id: str) -> Response:
        """The newest first, without their secrets."""
        rows = calendar_address_list(crew_get(public_id))
        page = page_of(rows, read_query(request, PageQuery), "-id")
        return page_response(request, page, CalendarAddressDocument)

    @described(
        "calendar_address_issue",
        "Make an address of a crew's calendar",
        Answer(CalendarAddressIssuedDocument, 201),
    )
    def post(self, request: Request, public_id: str) -> Response:
        """Whoever has it reads the crew's visits; it holds until it is revoked."""
        address, secret = calendar_address_issue(crew=crew_get(public_id), by=self.actor)
        told = {"address": request.build_absolute_uri(reverse("calendar", args=[secret]))}
        return Response(CalendarAddressDocument(address).data | told, 201)


class CalendarAddressRevoke(Resource):
    """Ending an address."""

    @described("calendar_address_revoke", "Revoke an address", Answer(CalendarAddressDocument, 201))
    def post(self, request: Request, public_id: str) -> Response:  # noqa: ARG002
        """It answers 404 from now on; revoked again nothing changes."""
        calendar_address_revoke(address=calendar_address_get(public_id), by=self.actor)
        return Response(CalendarAddressDocument(calendar_address_get(public_id)).data, 201)


def _plain(body: dict[str, Any]) -> dict[str, Any]:
    """A read body as plain lists and dicts, so that it can be kept as JSON."""
    return {name: _bare(value) for name, value in body.items()}


def _bare(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _bare(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_bare(one) for one in value]
    return value
