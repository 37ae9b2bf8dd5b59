"""/controllers: what drives wire paths, and when it waters."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, IF_NONE_MATCH, Answer, described, page_document
from api.pagination import PageQuery, page_of, page_response, sort_field
from api.preconditions import require_version, versioned_response
from api.references import named
from api.resource import Resource
from api.sites.properties import NamedDocument
from api.strict import Day, PublicId, StrictSerializer, Text, read_body, read_query
from sites.models.controller import Controller
from sites.selectors.properties import controller_get, controller_list, property_get
from sites.services.controllers import (
    MOST_SEASONS,
    ControllerDetails,
    SeasonDays,
    controller_create,
    controller_end,
    controller_update,
    season_set,
)


class SeasonDocument(serializers.Serializer[Any]):
    """Days on which a controller waters, both included."""

    id = serializers.CharField(source="public_id")
    starts_on = serializers.DateField()
    ends_on = serializers.DateField()
    note = serializers.CharField()


class LabelledDocument(serializers.Serializer[Any]):
    """A wire path by its id and label."""

    id = serializers.CharField(source="public_id")
    label = serializers.CharField()  # type: ignore[assignment]


class ControllerDocument(serializers.Serializer[Controller]):
    """A controller on a property."""

    id = serializers.CharField(source="public_id")
    property = NamedDocument()
    name = serializers.CharField()
    model_note = serializers.CharField()
    time_zone = serializers.CharField(source="property.time_zone")
    paths = LabelledDocument(many=True, source="paths.all")
    seasons = SeasonDocument(many=True, source="seasons.all")
    created_at = serializers.DateTimeField()
    ended_at = serializers.DateTimeField(allow_null=True)


class ControllerNew(StrictSerializer):
    """A controller to be."""

    property = PublicId("prop")
    name = Text(max_length=120)
    model_note = Text(max_length=200, required=False, allow_blank=True)


class ControllerEdit(StrictSerializer):
    """What to change of a controller; what is absent stays."""

    name = Text(max_length=120, required=False)
    model_note = Text(max_length=200, required=False, allow_blank=True)


class SeasonNew(StrictSerializer):
    """A season to be."""

    starts_on = Day()
    ends_on = Day()
    note = Text(max_length=200, required=False, allow_blank=True)


class SeasonsNew(StrictSerializer):
    """All seasons of a controller."""

    seasons = serializers.ListField(child=SeasonNew(), max_length=MOST_SEASONS)


class ControllerQuery(PageQuery):
    """Which controllers."""

    sort = sort_field("name", "created_at")
    property = serializers.CharField(max_length=40, required=False)
    with_ended = serializers.BooleanField(default=False)


class Controllers(Resource):
    """Controllers of the contractor."""

    @described(
        "controllers",
        "List controllers",
        Answer(page_document(ControllerDocument)),
        query=ControllerQuery,
    )
    def get(self, request: Request) -> Response:
        """Controllers with their live wire paths and seasons."""
        query = read_query(request, ControllerQuery)
        place = named(property_get, query.get("property"), "/?property")
        page = page_of(controller_list(place, with_ended=query["with_ended"]), query)
        return page_response(request, page, ControllerDocument)

    @described(
        "controller_create",
        "Add a controller",
        Answer(ControllerDocument, 201, tagged=True),
        body=ControllerNew,
    )
    def post(self, request: Request) -> Response:
        """A controller at a property. 409: the property has one of this name, or has ended."""
        body = read_body(request, ControllerNew)
        place = named(property_get, body.pop("property"), "/property")
        assert place is not None  # noqa: S101 - the form asks for it
        made = controller_create(place=place, details=ControllerDetails(**body), by=self.actor)
        return _response(request, made.public_id, 201)


class OneController(Resource):
    """A controller."""

    @described(
        "controller",
        "A controller",
        Answer(ControllerDocument, tagged=True),
        headers=[IF_NONE_MATCH],
    )
    def get(self, request: Request, public_id: str) -> Response:
        """The controller with its live wire paths and seasons."""
        return _response(request, public_id)

    @described(
        "controller_update",
        "Change a controller",
        Answer(ControllerDocument, tagged=True),
        body=ControllerEdit,
        headers=[IF_MATCH],
    )
    def patch(self, request: Request, public_id: str) -> Response:
        """What is absent stays as it is."""
        found = _matched(request, public_id)
        now = ControllerDetails(found.name, found.model_note)
        details = replace(now, **read_body(request, ControllerEdit))
        controller_update(controller=found, version=found.version, details=details, by=self.actor)
        return _response(request, public_id)


class ControllerEnd(Resource):
    """Taking a controller out."""

    @described(
        "controller_end",
        "End a controller",
        Answer(ControllerDocument, tagged=True),
        headers=[IF_MATCH],
    )
    def post(self, request: Request, public_id: str) -> Response:
        """It is gone; what is known of it stays. 409 while it has wire paths."""
        found = _matched(request, public_id)
        controller_end(controller=found, version=found.version, by=self.actor)
        return _response(request, public_id)


class ControllerSeasons(Resource):
    """The days on which a controller waters."""

    @described(
        "controller_seasons_set",
        "Set the seasons of a controller",
        Answer(ControllerDocument, tagged=True),
        body=SeasonsNew,
        headers=[IF_MATCH],
    )
    def put(self, request: Request, public_id: str) -> Response:
        """These and no others; seasons that stay keep their ids. They may not overlap."""
        found = _matched(request, public_id)
        body = read_body(request, SeasonsNew)
        seasons = [SeasonDays(**season) for season in body["seasons"]]
        season_set(controller=found, version=found.version, seasons=seasons, by=self.actor)
        return _response(request, public_id)


def _matched(request: Request, public_id: str) -> Controller:
    found = controller_get(public_id)
    require_version(request, found.version)
    return found


def _response(request: Request, public_id: str, status: int = 200) -> Response:
    found = controller_get(public_id)
    return versioned_response(request, ControllerDocument(found).data, found.version, status)
