"""/properties: places that are looked after."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, IF_NONE_MATCH, Answer, described, page_document
from api.pagination import PageQuery, page_of, page_response, sort_field
from api.preconditions import require_version, versioned_response
from api.resource import Resource
from api.strict import Number, StrictSerializer, Text, read_body, read_query
from sites.models.property import Property
from sites.selectors.properties import property_get, property_list
from sites.services.properties import (
    PropertyDetails,
    property_create,
    property_details,
    property_end,
    property_update,
)


class NamedDocument(serializers.Serializer[Any]):
    """A thing by its id and name."""

    id = serializers.CharField(source="public_id")
    name = serializers.CharField()


class PropertyDocument(serializers.Serializer[Property]):
    """A place with controllers."""

    id = serializers.CharField(source="public_id")
    name = serializers.CharField()
    address = serializers.CharField()
    time_zone = serializers.CharField(help_text="A name of the IANA time zone database.")
    lat = serializers.FloatField(allow_null=True, help_text="WGS 84 degrees.")
    lon = serializers.FloatField(allow_null=True)
    access_note = serializers.CharField()
    external_id = serializers.CharField(help_text="Its name in another system; empty: none.")
    controllers = NamedDocument(many=True, source="controllers.all")
    created_at = serializers.DateTimeField()
    ended_at = serializers.DateTimeField(allow_null=True)


class PropertyNew(StrictSerializer):
    """A property to be."""

    name = Text(max_length=120)
    time_zone = Text(max_length=64)
    address = Text(max_length=300, required=False, allow_blank=True)
    lat = Number(min_value=-90, max_value=90, required=False, allow_null=True)
    lon = Number(min_value=-180, max_value=180, required=False, allow_null=True)
    access_note = Text(max_length=2000, required=False, allow_blank=True)
    external_id = Text(max_length=120, required=False, allow_blank=True)


class PropertyEdit(PropertyNew):
    """What to change of a property; what is absent stays."""

    name = Text(max_length=120, required=False)
    time_zone = Text(max_length=64, required=False)


class PropertyQuery(PageQuery):
    """Which properties."""

    sort = sort_field("name", "created_at")
    external_id = serializers.CharField(max_length=120, required=False)
    with_ended = serializers.BooleanField(default=False)


class Properties(Resource):
    """Properties of the contractor."""

    @described(
        "properties",
        "List properties",
        Answer(page_document(PropertyDocument)),
        query=PropertyQuery,
    )
    def get(self, request: Request) -> Response:
        """Properties with their live controllers."""
        query = read_query(request, PropertyQuery)
        rows = property_list(with_ended=query["with_ended"])
        if "external_id" in query:
            rows = rows.filter(external_id=query["external_id"])
        return page_response(request, page_of(rows, query), PropertyDocument)

    @described(
        "property_create",
        "Take on a property",
        Answer(PropertyDocument, 201, tagged=True),
        body=PropertyNew,
    )
    def post(self, request: Request) -> Response:
        """A place to look after. 409: its external id is that of another one."""
        details = PropertyDetails(**read_body(request, PropertyNew))
        return _response(request, property_create(details=details, by=self.actor), 201)


class OneProperty(Resource):
    """A property."""

    @described(
        "property", "A property", Answer(PropertyDocument, tagged=True), headers=[IF_NONE_MATCH]
    )
    def get(self, request: Request, public_id: str) -> Response:
        """The property with its live controllers."""
        return _response(request, property_get(public_id))

    @described(
        "property_update",
        "Change a property",
        Answer(PropertyDocument, tagged=True),
        body=PropertyEdit,
        headers=[IF_MATCH],
    )
    def patch(self, request: Request, public_id: str) -> Response:
        """What is absent stays as it is."""
        place = property_get(public_id)
        require_version(request, place.version)
        details = replace(property_details(place), **read_body(request, PropertyEdit))
        property_update(place=place, version=place.version, details=details, by=self.actor)
        return _response(request, property_get(public_id))


class PropertyEnd(Resource):
    """Giving a property up."""

    @described(
        "property_end",
        "End a property",
        Answer(PropertyDocument, tagged=True),
        headers=[IF_MATCH],
    )
    def post(self, request: Request, public_id: str) -> Response:
        """It is no longer looked after; what is known of it stays. 409 while it has controllers."""
        place = property_get(public_id)
        require_version(request, place.version)
        property_end(place=place, version=place.version, by=self.actor)
        return _response(request, property_get(public_id))


def _response(request: Request, place: Property, status: int = 200) -> Response:
    return versioned_response(request, PropertyDocument(place).data, place.version, status)
