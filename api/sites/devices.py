"""/devices: what hangs on the wire paths, over all of them."""

from __future__ import annotations

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import Answer, described, page_document
from api.pagination import PageQuery, page_of, page_response, sort_field
from api.references import named
from api.resource import Resource
from api.strict import read_query
from sites.models.device import Device
from sites.selectors.devices import device_get, device_list
from sites.selectors.paths import path_get


class DeviceDocument(serializers.Serializer[Device]):
    """A device as the map has it."""

    id = serializers.CharField(source="public_id")
    path = serializers.CharField(source="path.public_id")
    code = serializers.CharField(help_text="Its id in the survey.")
    node = serializers.CharField(source="node_code", help_text="The code of its node.")
    kind = serializers.CharField()
    draw_ma = serializers.FloatField()
    model_name = serializers.CharField()
    installed = serializers.CharField(help_text="A year, a month or a day, or empty.")
    stations = serializers.ListField(child=serializers.IntegerField(), allow_null=True)
    outputs = serializers.IntegerField(allow_null=True)
    active_ma = serializers.FloatField(allow_null=True)
    from_revision = serializers.IntegerField()
    to_revision = serializers.IntegerField(allow_null=True, help_text="Null: it is there.")
    known_at = serializers.DateTimeField()


class DeviceQuery(PageQuery):
    """Which devices."""

    sort = sort_field("code")
    path = serializers.CharField(max_length=40, required=False)
    kind = serializers.CharField(max_length=10, required=False)
    code = serializers.CharField(max_length=64, required=False)


class Devices(Resource):
    """Devices of the contractor."""

    @described("devices", "List devices", Answer(page_document(DeviceDocument)), query=DeviceQuery)
    def get(self, request: Request) -> Response:
        """Devices that are on the maps now."""
        query = read_query(request, DeviceQuery)
        rows = device_list(named(path_get, query.get("path"), "/?path"))
        wanted = {name: query[name] for name in ("kind", "code") if name in query}
        page = page_of(rows.filter(**wanted), query)
        return page_response(request, page, DeviceDocument)


class OneDevice(Resource):
    """A device."""

    @described("device", "A device", Answer(DeviceDocument))
    def get(self, request: Request, public_id: str) -> Response:  # noqa: ARG002
        """The device as the newest revision that had it has it."""
        return Response(DeviceDocument(device_get(public_id)).data)
