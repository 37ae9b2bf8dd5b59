"""Lists in pages: a cursor says where to go on, so rows that come meanwhile shift nothing."""

from __future__ import annotations

import base64
import binascii
import datetime as dt
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from django.core.exceptions import ValidationError as ModelValidationError
from django.db.models import Field, Model, Q, QuerySet
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.strict import QuerySerializer
from core.clock import is_ordinary
from core.problems import Defect, Invalid

USUAL = 50
MOST = 200

_Row = TypeVar("_Row", bound=Model)


class PageQuery(QuerySerializer):
    """What every list takes."""

    limit = serializers.IntegerField(
        min_value=1, max_value=MOST, default=USUAL, help_text="Rows of a page."
    )
    cursor = serializers.CharField(
        max_length=400, required=False, help_text="`next_cursor` of the page before."
    )


def sort_field(*names: str) -> serializers.ChoiceField:
    """The parameter ``sort``: one of these fields, or with ``-`` before it, backwards."""
    words = [word for name in names for word in (name, f"-{name}")]
    return serializers.ChoiceField(
        choices=words, required=False, help_text="Absent: in the order in which they came in."
    )


@dataclass(frozen=True)
class Page(Generic[_Row]):
    """Rows and the cursor to go on from; None: these are the last."""

    rows: Sequence[_Row]
    next_cursor: str | None


def page_of(rows: QuerySet[_Row], query: dict[str, Any], usual: str = "id") -> Page[_Row]:
    """One page of rows, in the order that ``query["sort"]`` asks for, or else in the usual one.

    Raises Invalid for a cursor that belongs to no page of this order.
    """
    sort = query.get("sort", usual)
    backwards, field = sort.startswith("-"), sort.lstrip("-")
    way = "-" if backwards else ""
    order = [f"{way}{field}", f"{way}id"] if field != "id" else [f"{way}id"]
    if query.get("cursor"):
        rows = rows.filter(_beyond(rows.model, query["cursor"], sort))
    limit = query["limit"]
    found = list(rows.order_by(*order)[: limit + 1])
    if len(found) <= limit:
        return Page(found, None)
    return Page(found[:limit], _cursor(found[limit - 1], sort))


def _cursor(row: Model, sort: str) -> str:
    value = getattr(row, sort.lstrip("-"))
    mark = json.dumps([sort, str(value), row.pk], separators=(",", ":"))
    return base64.urlsafe_b64encode(mark.encode()).decode().rstrip("=")


def _beyond(model: type[Model], cursor: str, sort: str) -> Q:
    try:
        padded = cursor + "=" * (-len(cursor) % 4)
        mark = json.loads(base64.urlsafe_b64decode(padded.encode()))
        its_sort, text, pk = mark
        if its_sort != sort or type(pk) is not int or not 0 <= pk < 2**63:
            raise ValueError("a cursor of another list")
        field = sort.lstrip("-")
        column = model._meta.get_field(field)
        if not isinstance(column, Field) or "\x00" in str(text):
            raise ValueError("a cursor of no list")
        str(text).encode()  # half a character has no bytes: ValueError
        value = column.to_python(text)
        if isinstance(value, dt.date) and not is_ordinary(value):
            raise ValueError("a cursor of no row")
        if isinstance(value, dt.datetime) and value.tzinfo is None:
            raise ValueError("a cursor of no moment")
    except (ValueError, TypeError, binascii.Error, RecursionError, ModelValidationError) as wrong:
        defect = Defect("/?cursor", "is no cursor of this list", "next_cursor of a page before")
        raise Invalid("The cursor cannot be read.", defects=[defect]) from wrong
    way = "lt" if sort.startswith("-") else "gt"
    if field == "id":
        return Q(**{f"id__{way}": pk})
    return Q(**{f"{field}__{way}": value}) | Q(**{field: value, f"id__{way}": pk})


def page_response(
    request: Request,
    page: Page[Any],
    document: type[serializers.Serializer[Any]],
    context: dict[str, Any] | None = None,
) -> Response:
    """The page as a document, and the address of the next one as a link (RFC 8288).

    ``context`` is what the document knows beside its rows.
    """
    items = document(page.rows, many=True, context=context or {}).data
    headers = {}
    if page.next_cursor is not None:
        headers["Link"] = f'<{_address_with(request, "cursor", page.next_cursor)}>; rel="next"'
    return Response({"items": items, "next_cursor": page.next_cursor}, headers=headers)


def _address_with(request: Request, name: str, value: str) -> str:
    query = request._request.GET.copy()  # noqa: SLF001 - the framework's own name is untyped
    query[name] = value
    return request.build_absolute_uri(f"{request.path}?{query.urlencode()}")
