"""Telling the schema what an address takes and gives."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, TypeVar

from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema
from rest_framework import serializers

from api.strict import QuerySerializer

_View = TypeVar("_View", bound=Callable[..., Any])
Document = type[serializers.Serializer[Any]]

IF_MATCH = OpenApiParameter(
    "If-Match", str, "header", required=True, description="The ETag of the version you read."
)
IF_NONE_MATCH = OpenApiParameter(
    "If-None-Match", str, "header", description="The ETag you have: answered 304 where unchanged."
)
KEY = OpenApiParameter(
    "Idempotency-Key",
    {"type": "string", "minLength": 1, "maxLength": 200, "pattern": "^[!-~]+$"},
    "header",
    description="Sent again with the same key, the request has one effect and the same answer.",
)


@dataclass(frozen=True)
class Taken:
    """What a handler takes: the form of its parameters, and whether it reads a body."""

    query: type[QuerySerializer] = QuerySerializer
    body: bool = False


_TAKEN = "taken"


def taken_by(handler: Any) -> Taken:
    """What a handler was described to take; nothing where it was not."""
    found: Taken = getattr(handler, _TAKEN, Taken())
    return found


@dataclass(frozen=True)
class Answer:
    """What comes back: a document (None: nothing is described), its status, its media type.

    ``again``: the status of the same document where what was sent was there already; 0: none.
    """

    document: Any
    status: int = 200
    media_type: str = "application/json"
    tagged: bool = False
    again: int = 0


def described(
    name: str,
    summary: str,
    answer: Answer,
    *,
    query: type[QuerySerializer] | None = None,
    body: Any = None,
    headers: Sequence[OpenApiParameter] = (),
) -> Callable[[_View], _View]:
    """Describe the decorated handler: its name, what it does, what it takes and what comes back."""

    def describe(handler: _View) -> _View:
        parameters: list[Any] = [query] if query else []
        parameters += headers
        if handler.__name__ == "post":
            parameters.append(KEY)
        if answer.tagged:
            parameters.append(
                OpenApiParameter("ETag", str, "header", response=[str(answer.status)])
            )
        responses: dict[Any, Any] = {(answer.status, answer.media_type): answer.document}
        if answer.again:
            responses[(answer.again, answer.media_type)] = answer.document
        if IF_NONE_MATCH in headers:
            responses[304] = OpenApiResponse(description="Unchanged.")
        described_handler: _View = extend_schema(
            operation_id=name,
            summary=summary,
            description=(handler.__doc__ or "").strip() or summary,
            parameters=parameters,
            request=body,
            responses=responses,
        )(handler)
        setattr(described_handler, _TAKEN, Taken(query or QuerySerializer, body is not None))
        return described_handler

    return describe


@cache
def page_document(document: Document) -> Document:
    """The document of a page of these."""
    name = document.__name__.removesuffix("Document") + "Page"
    members = {
        "items": document(many=True),
        "next_cursor": serializers.CharField(allow_null=True),
    }
    return type(name, (serializers.Serializer,), members)
