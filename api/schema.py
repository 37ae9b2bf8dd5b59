"""The OpenAPI description: every error an address can answer with is in it."""

from __future__ import annotations

from functools import cache
from http import HTTPStatus
from typing import Any

from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.types import OpenApiTypes
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.described import IF_MATCH, Answer, described
from api.problems import MEDIA_TYPE
from api.resource import Resource
from api.strict import StrictSerializer


class ProblemErrorDocument(serializers.Serializer[Any]):
    """What is wrong with one member of the body, or with one parameter."""

    pointer = serializers.CharField(required=False, help_text="JSON pointer into the body.")
    parameter = serializers.CharField(required=False, help_text="Name of the parameter.")
    detail = serializers.CharField(help_text="What is wrong.")
    expected = serializers.CharField(required=False, help_text="What would be right.")


class ProblemDocument(serializers.Serializer[Any]):
    """Why a request was not carried out (RFC 9457)."""

    type = serializers.CharField(help_text="`urn:clampline:problem:` and the code of the problem.")
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    instance = serializers.CharField(required=False)
    legal = serializers.ListField(
        child=serializers.CharField(),
        required=False,
        help_text="With `illegal-move`: what the state allows.",
    )


# A serializer cannot have a field named "errors" as an attribute: it has a property of that name.
ProblemDocument._declared_fields["errors"] = ProblemErrorDocument(many=True, required=False)  # noqa: SLF001

_EVERYWHERE = (
    HTTPStatus.BAD_REQUEST,
    HTTPStatus.UNAUTHORIZED,
    HTTPStatus.FORBIDDEN,
    HTTPStatus.UNPROCESSABLE_ENTITY,
    HTTPStatus.TOO_MANY_REQUESTS,
    HTTPStatus.INTERNAL_SERVER_ERROR,
    HTTPStatus.SERVICE_UNAVAILABLE,
)
_WRITING = (
    HTTPStatus.CONFLICT,
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
    HTTPStatus.INSUFFICIENT_STORAGE,
)
_EDITING = (HTTPStatus.PRECONDITION_FAILED, HTTPStatus.PRECONDITION_REQUIRED)


def problem_statuses(method: str, path: str, *, edits: bool) -> list[HTTPStatus]:
    """The statuses of the problems that an address may answer with."""
    found = list(_EVERYWHERE)
    if "{" in path:
        found.append(HTTPStatus.NOT_FOUND)
    if method in {"POST", "PUT", "PATCH"}:
        found += _WRITING
    if edits:
        found += _EDITING
    if path.endswith(("/changes", "/content")):
        found.append(HTTPStatus.GONE)
    if path.endswith(("/figures", "/proposal", "/content")):
        found.append(HTTPStatus.CONFLICT)
    return sorted(found)


class ApiSchema(AutoSchema):
    """The framework's description of an address, with its problems."""

    def get_tags(self) -> list[str]:
        """The first word of the path."""
        return [self.path.removeprefix("/api/v1/").partition("/")[0]]

    def get_auth(self) -> list[dict[str, list[str]]]:
        """A token or a session; either is enough."""
        super().get_auth()
        return [{"token": []}, {"session": []}]

    def _map_basic_serializer(self, serializer: Any, direction: Any) -> Any:
        found = super()._map_basic_serializer(serializer, direction)  # type: ignore[no-untyped-call]
        if isinstance(serializer, StrictSerializer):
            found["additionalProperties"] = False
        return found

    def _get_response_bodies(self, direction: Any = "response") -> Any:
        found = super()._get_response_bodies(direction=direction)
        edits = IF_MATCH in self.get_override_parameters()
        for status in problem_statuses(self.method, self.path, edits=edits):
            code = str(int(status))
            found[code] = self._get_response_for_code(  # type: ignore[no-untyped-call]
                ProblemDocument, code, (MEDIA_TYPE,), direction
            )
            found[code]["description"] = status.phrase
        return found


class SchemaView(Resource):
    """The description itself."""

    @described("schema", "This description, as OpenAPI 3.1", Answer(OpenApiTypes.OBJECT))
    def get(self, request: Request) -> Response:  # noqa: ARG002 - the framework's form
        """The OpenAPI document of this version of the API."""
        return Response(openapi_document())


@cache
def openapi_document() -> Any:
    """The OpenAPI document of the code as it is."""
    generator = SchemaGenerator()  # type: ignore[no-untyped-call]
    return generator.get_schema(request=None, public=True)  # type: ignore[no-untyped-call]
