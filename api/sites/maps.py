"""The map of a wire path: taken in as a survey, corrected, given out, drawn, checked."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from drf_spectacular.types import OpenApiTypes
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, IF_NONE_MATCH, Answer, described
from api.idempotency import KeyUse
from api.parsing import SurveyParser
from api.preconditions import UnchangedResponse, is_unchanged, matched_revision, revision_tag
from api.resource import Resource
from api.strict import (
    Choice,
    Flag,
    JsonObject,
    QuerySerializer,
    StrictSerializer,
    Text,
    read_body,
    read_query,
)
from api.throttles import HEAVY
from sites.geojson import path_geojson
from sites.map_edits import MapEdit
from sites.selectors.design import path_design_figures
from sites.selectors.paths import path_get
from sites.selectors.properties import controller_get
from sites.services.path_corrections import MOST_NOTE, path_correct
from sites.services.path_imports import path_import, path_reimport
from sites.services.path_revisions import MapResult
from sites.survey_rows import path_survey

MOST_EDITS = 500
MOST_REVISION = 1_000_000


class RowCodesDocument(serializers.Serializer[Any]):
    """Codes of the rows of one kind; ``moved`` ones only stand elsewhere in the list."""

    added = serializers.ListField(child=serializers.CharField())
    changed = serializers.ListField(child=serializers.CharField())
    moved = serializers.ListField(child=serializers.CharField())
    ended = serializers.ListField(child=serializers.CharField())


class MapWarningDocument(serializers.Serializer[Any]):
    """What is odd in a map all the same."""

    pointer = serializers.CharField()
    detail = serializers.CharField(source="what")
    expected = serializers.CharField(source="right")


class MapResultDocument(serializers.Serializer[Any]):
    """What was done to a map, or in a dry run would be."""

    path = serializers.CharField(
        source="path.public_id",
        allow_null=True,
        default=None,
        help_text="Its id; null in the dry run of a first import.",
    )
    revision = serializers.IntegerField()
    stored = serializers.BooleanField(help_text="False: a dry run, or nothing differs.")
    nodes = RowCodesDocument()
    segments = RowCodesDocument()
    devices = RowCodesDocument()
    header = serializers.ListField(
        child=serializers.CharField(), help_text="What changed of the path itself."
    )
    warnings = MapWarningDocument(many=True)


class DeviceVoltageDocument(serializers.Serializer[Any]):
    """The voltage at a device with all devices on."""

    device = serializers.CharField(source="device_id")
    voltage_v = serializers.FloatField()
    cable_m = serializers.FloatField(help_text="Cable from the controller to it.")


class SegmentDropDocument(serializers.Serializer[Any]):
    """The voltage lost along a segment."""

    segment = serializers.CharField(source="segment_id")
    drop_v = serializers.FloatField()


class BrokenLimitDocument(serializers.Serializer[Any]):
    """A limit that does not hold."""

    limit = serializers.ChoiceField(choices=["min_device_v", "max_current_ma", "trip_ma"])
    allowed = serializers.FloatField()
    found = serializers.FloatField()
    devices = serializers.ListField(child=serializers.CharField(), source="device_ids")


class DesignFiguresDocument(serializers.Serializer[Any]):
    """Whether the path as mapped feeds every device."""

    farthest = DeviceVoltageDocument(allow_null=True)
    lowest = DeviceVoltageDocument(allow_null=True)
    largest_drop = SegmentDropDocument(allow_null=True)
    drops = SegmentDropDocument(many=True)
    controller_current_ma = serializers.FloatField()
    cut_off_devices = serializers.ListField(
        child=serializers.CharField(), source="cut_off_device_ids"
    )
    broken_limits = BrokenLimitDocument(many=True)


class MapEditNew(StrictSerializer):
    """One edit of a map."""

    do = Choice(choices=["add", "alter", "end"])
    kind = Choice(choices=["path", "node", "segment", "device"])
    code = Text(max_length=64, required=False, allow_blank=True, trim_whitespace=False)
    values = JsonObject(required=False, help_text="Members of the survey form, without `id`.")
    comes_from = serializers.ListField(child=Text(max_length=64), required=False, max_length=50)
    ground_changed = Flag(required=False)


class CorrectionNew(StrictSerializer):
    """Edits of a map; the revision they are meant for is named by If-Match."""

    changes = serializers.ListField(child=MapEditNew(), allow_empty=False, max_length=MOST_EDITS)
    note = Text(max_length=MOST_NOTE, required=False, allow_blank=True)


class DryRunQuery(QuerySerializer):
    """Whether to store."""

    dry_run = serializers.BooleanField(default=False, help_text="Tell what would be done.")


class ImportQuery(DryRunQuery):
    """How to take a first survey in."""

    label = serializers.CharField(  # type: ignore[assignment]
        max_length=200, required=False, help_text="Replaces the label of the survey."
    )


class RevisionQuery(QuerySerializer):
    """Which revision."""

    revision = serializers.IntegerField(
        min_value=1, max_value=MOST_REVISION, required=False, help_text="Absent: the newest."
    )


class ControllerWirePaths(Resource):
    """Taking in the first map of a wire path."""

    parser_classes = [SurveyParser]  # noqa: RUF012 - the framework's form
    limit_name = HEAVY
    # The survey is checked before the transaction begins; a label is taken once at a controller.
    key_use = KeyUse(effect_is_kept_by_itself=True)

    @described(
        "wire_path_import",
        "Import a survey as a new wire path",
        Answer(MapResultDocument, 201),
        query=ImportQuery,
        body=OpenApiTypes.OBJECT,
    )
    def post(self, request: Request, public_id: str) -> Response:
        """The body is a survey (`clampline-survey/1`): it is stored whole, or every defect told."""
        controller = controller_get(public_id)
        query = read_query(request, ImportQuery)
        result = path_import(
            controller=controller,
            survey=_survey(request),
            by=self.actor,
            label=query.get("label"),
            dry_run=query["dry_run"],
        )
        return _map_response(result, 201)


class WirePathSurvey(Resource):
    """The map of a wire path as a survey."""

    parser_classes = [SurveyParser]  # noqa: RUF012 - the framework's form
    limit_name = HEAVY

    @described(
        "wire_path_survey",
        "The map as a survey",
        Answer(OpenApiTypes.OBJECT, tagged=True),
        query=RevisionQuery,
        headers=[IF_NONE_MATCH],
    )
    def get(self, request: Request, public_id: str) -> Response:
        """The survey (`clampline-survey/1`) of a revision, equal to what was taken in."""
        path = path_get(public_id)
        number = read_query(request, RevisionQuery).get("revision", path.revision)
        tag = revision_tag(number)
        if number <= path.revision and is_unchanged(request, tag):
            return UnchangedResponse(tag)
        return Response(path_survey(path, number), headers={"ETag": tag})

    @described(
        "wire_path_reimport",
        "Import a survey as the next revision",
        Answer(MapResultDocument, tagged=True),
        query=DryRunQuery,
        body=OpenApiTypes.OBJECT,
        headers=[IF_MATCH],
    )
    def put(self, request: Request, public_id: str) -> Response:
        """Only rows that differ are written. If-Match names the revision it was made from."""
        path = path_get(public_id)
        result = path_reimport(
            path=path,
            base_revision=matched_revision(request),
            survey=_survey(request),
            by=self.actor,
            dry_run=read_query(request, DryRunQuery)["dry_run"],
        )
        return _map_response(result)


class WirePathCorrections(Resource):
    """Correcting a map by small edits, as they come from the field."""

    limit_name = HEAVY

    @described(
        "wire_path_correct",
        "Correct a map",
        Answer(MapResultDocument, tagged=True),
        query=DryRunQuery,
        body=CorrectionNew,
        headers=[IF_MATCH],
    )
    def post(self, request: Request, public_id: str) -> Response:
        """All edits or none. If-Match names the revision they are meant for."""
        path = path_get(public_id)
        base_revision = matched_revision(request)
        body = read_body(request, CorrectionNew)
        result = path_correct(
            path=path,
            base_revision=base_revision,
            changes=[_edit(edit) for edit in body["changes"]],
            by=self.actor,
            note=body.get("note", ""),
            dry_run=read_query(request, DryRunQuery)["dry_run"],
        )
        return _map_response(result)


class WirePathGeojson(Resource):
    """The map of a wire path for drawing."""

    limit_name = HEAVY

    @described(
        "wire_path_geojson",
        "The map as GeoJSON",
        Answer(OpenApiTypes.OBJECT, media_type="application/geo+json", tagged=True),
        query=RevisionQuery,
        headers=[IF_NONE_MATCH],
    )
    def get(self, request: Request, public_id: str) -> Response:
        """A FeatureCollection (RFC 7946); without an anchor the geometries are null."""
        path = path_get(public_id)
        number = read_query(request, RevisionQuery).get("revision", path.revision)
        tag = revision_tag(number)
        if number <= path.revision and is_unchanged(request, tag):
            return UnchangedResponse(tag)
        document = path_geojson(path, number)
        headers = {"ETag": tag}
        return Response(document, headers=headers, content_type="application/geo+json")


class WirePathFigures(Resource):
    """Whether a path as mapped feeds every device."""

    limit_name = HEAVY

    @described(
        "wire_path_figures",
        "Voltages, drops, current and broken limits",
        Answer(DesignFiguresDocument),
        query=RevisionQuery,
    )
    def get(self, request: Request, public_id: str) -> Response:
        """The worst case: all devices on."""
        path = path_get(public_id)
        number = read_query(request, RevisionQuery).get("revision")
        return Response(DesignFiguresDocument(path_design_figures(path, number)).data)


def _survey(request: Request) -> bytes:
    """The body as it came; what came without one is no survey."""
    data: Any = request.data
    return data if isinstance(data, bytes) else b""


def _edit(body: dict[str, Any]) -> MapEdit:
    return MapEdit(**body | {"comes_from": tuple(body.get("comes_from", ()))})


def _map_response(result: MapResult, status: int = 200) -> Response:
    told = {name: asdict(getattr(result, name)) for name in ("nodes", "segments", "devices")}
    document = {
        "path": result.path,
        "revision": result.revision,
        "stored": result.stored,
        "header": result.header,
        "warnings": result.warnings,
    }
    data = MapResultDocument(document | told).data
    headers = {"ETag": revision_tag(result.revision)}
    return Response(data, status if result.stored else 200, headers=headers)
