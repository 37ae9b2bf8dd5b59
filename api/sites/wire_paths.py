"""/wire-paths: the two-wire networks and how their maps came to be."""

from __future__ import annotations

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, IF_NONE_MATCH, Answer, described, page_document
from api.pagination import PageQuery, page_of, page_response, sort_field
from api.preconditions import require_version, versioned_response
from api.references import named
from api.resource import Resource
from api.sites.properties import NamedDocument
from api.strict import read_query
from sites.models.wire_path import PathRevision, WirePath
from sites.selectors.paths import path_get, path_list, path_revisions
from sites.selectors.properties import controller_get
from sites.services.controllers import path_end


class WirePathDocument(serializers.Serializer[WirePath]):
    """A wire path as its newest revision has it; the map itself is at ``/survey``."""

    id = serializers.CharField(source="public_id")
    property = NamedDocument(source="controller.property")
    controller = NamedDocument()
    label = serializers.CharField()  # type: ignore[assignment]
    topology = serializers.CharField(help_text="`tree`, `meshed`, or empty: not stated.")
    frequency_hz = serializers.FloatField()
    source_v = serializers.FloatField(help_text="Open-circuit voltage of the controller, RMS.")
    trip_ma = serializers.FloatField(help_text="Above this current the controller cuts off.")
    min_device_v = serializers.FloatField(allow_null=True)
    max_current_ma = serializers.FloatField(allow_null=True)
    revision = serializers.IntegerField()
    created_at = serializers.DateTimeField()
    ended_at = serializers.DateTimeField(allow_null=True)


class PathRevisionDocument(serializers.Serializer[PathRevision]):
    """One state of a path's map."""

    number = serializers.IntegerField()
    at = serializers.DateTimeField()
    by_name = serializers.CharField()
    note = serializers.CharField()
    node_count = serializers.IntegerField()
    segment_count = serializers.IntegerField()
    device_count = serializers.IntegerField()


class WirePathQuery(PageQuery):
    """Which wire paths."""

    sort = sort_field("label", "created_at")
    controller = serializers.CharField(max_length=40, required=False)
    with_ended = serializers.BooleanField(default=False)


class WirePaths(Resource):
    """Wire paths of the contractor."""

    @described(
        "wire_paths",
        "List wire paths",
        Answer(page_document(WirePathDocument)),
        query=WirePathQuery,
    )
    def get(self, request: Request) -> Response:
        """Wire paths with their controllers and properties."""
        query = read_query(request, WirePathQuery)
        controller = named(controller_get, query.get("controller"), "/?controller")
        page = page_of(path_list(controller, with_ended=query["with_ended"]), query)
        return page_response(request, page, WirePathDocument)


class OneWirePath(Resource):
    """A wire path."""

    @described(
        "wire_path", "A wire path", Answer(WirePathDocument, tagged=True), headers=[IF_NONE_MATCH]
    )
    def get(self, request: Request, public_id: str) -> Response:
        """The wire path without its map."""
        return _response(request, path_get(public_id))


class WirePathEnd(Resource):
    """Taking a wire path out."""

    @described(
        "wire_path_end",
        "End a wire path",
        Answer(WirePathDocument, tagged=True),
        headers=[IF_MATCH],
    )
    def post(self, request: Request, public_id: str) -> Response:
        """It is gone; its map and what was read on it stay."""
        path = path_get(public_id)
        require_version(request, path.version)
        path_end(path=path, version=path.version, by=self.actor)
        return _response(request, path_get(public_id))


class WirePathRevisions(Resource):
    """How the map of a wire path came to be."""

    @described(
        "wire_path_revisions",
        "List the revisions of a map",
        Answer(page_document(PathRevisionDocument)),
        query=PageQuery,
    )
    def get(self, request: Request, public_id: str) -> Response:
        """Revisions, the newest first."""
        path = path_get(public_id)
        page = page_of(path_revisions(path), read_query(request, PageQuery), "-number")
        return page_response(request, page, PathRevisionDocument)


def _response(request: Request, path: WirePath) -> Response:
    return versioned_response(request, WirePathDocument(path).data, path.version)
