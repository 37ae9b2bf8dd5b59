"""/crews: people who go out together."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, IF_NONE_MATCH, Answer, described, page_document
from api.pagination import PageQuery, page_of, page_response, sort_field
from api.preconditions import require_version, versioned_response
from api.resource import Resource
from api.strict import PublicId, StrictSerializer, Text, read_body, read_query
from core.accounts.directory import crew_get, crew_list, people_named
from core.accounts.edits import crew_update
from core.accounts.people import crew_create
from core.models.accounts import Crew

MOST_MEMBERS = 50


class CrewMemberDocument(serializers.Serializer[Any]):
    """Somebody of a crew."""

    id = serializers.CharField(source="public_id")
    name = serializers.CharField()


class CrewDocument(serializers.Serializer[Crew]):
    """A crew and its people."""

    id = serializers.CharField(source="public_id")
    name = serializers.CharField()
    members = CrewMemberDocument(many=True, source="members.all")
    created_at = serializers.DateTimeField()


def _members(**options: Any) -> serializers.ListField:
    return serializers.ListField(
        child=PublicId("per"), max_length=MOST_MEMBERS, help_text="Ids of people.", **options
    )


class CrewNew(StrictSerializer):
    """A crew to be."""

    name = Text(max_length=80)
    members = _members()


class CrewEdit(StrictSerializer):
    """What to change of a crew; what is absent stays."""

    name = Text(max_length=80, required=False)
    members = _members(required=False)


class CrewQuery(PageQuery):
    """Which crews."""

    sort = sort_field("name")


class Crews(Resource):
    """Crews of the contractor."""

    @described("crews", "List crews", Answer(page_document(CrewDocument)), query=CrewQuery)
    def get(self, request: Request) -> Response:
        """Crews with their people."""
        page = page_of(crew_list(), read_query(request, CrewQuery))
        return page_response(request, page, CrewDocument)

    @described("crew_create", "Form a crew", Answer(CrewDocument, 201, tagged=True), body=CrewNew)
    def post(self, request: Request) -> Response:
        """A crew of these people."""
        body = read_body(request, CrewNew)
        members = people_named(body["members"], pointer="/members")
        return _crew_response(
            request, crew_create(name=body["name"], members=members, by=self.actor), 201
        )


class OneCrew(Resource):
    """A crew."""

    @described("crew", "A crew", Answer(CrewDocument, tagged=True), headers=[IF_NONE_MATCH])
    def get(self, request: Request, public_id: str) -> Response:
        """The crew, with the ETag that an edit needs."""
        return _crew_response(request, crew_get(public_id))

    @described(
        "crew_update",
        "Change a crew",
        Answer(CrewDocument, tagged=True),
        body=CrewEdit,
        headers=[IF_MATCH],
    )
    def patch(self, request: Request, public_id: str) -> Response:
        """Rename it, or give it other people: ``members`` replaces all of them."""
        crew = crew_get(public_id)
        require_version(request, crew.version)
        body = read_body(request, CrewEdit)
        if "members" in body:
            body["members"] = people_named(body["members"], pointer="/members")
        return _crew_response(request, crew_update(crew=crew, by=self.actor, **body))


def _crew_response(request: Request, crew: Crew, status: int = 200) -> Response:
    return versioned_response(request, CrewDocument(crew).data, crew.version, status)
