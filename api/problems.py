"""Every error below /api/ as a problem document (RFC 9457), wherever in the server it arises."""

from __future__ import annotations

import json
import logging
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from http import HTTPStatus
from typing import Any, TypeVar

from django.core.exceptions import PermissionDenied, RequestDataTooBig
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.views import defaults
from rest_framework import exceptions
from rest_framework.response import Response
from rest_framework.settings import api_settings

from api.database_errors import database_problem
from api.problem_kinds import Malformed, MethodRefused, Unexpected, WrongMediaType
from core.problems import (
    Conflict,
    Defect,
    Invalid,
    LengthRequired,
    NotAllowed,
    NotFound,
    NotSignedIn,
    Problem,
    TooLarge,
    Unavailable,
)

MEDIA_TYPE = "application/problem+json"
ROOT = "/api/"
_OF_THE_BODY = frozenset(
    f"content-{what}" for what in ("type", "length", "encoding", "language", "disposition")
) | {"etag", "last-modified"}
_SAFE_METHODS = frozenset({"GET", "HEAD"})
_Answer = TypeVar("_Answer", bound=HttpResponseBase)

log = logging.getLogger("api.problems")


def problem_document(problem: Problem, request: HttpRequest) -> dict[str, Any]:
    """The document; defects of a request without a body name parameters instead of pointers."""
    document: dict[str, Any] = {
        "type": f"urn:clampline:problem:{problem.code}",
        "title": problem.title,
        "status": int(problem.status),
        "detail": problem.detail,
    }
    request_id = getattr(request, "request_id", "")
    if request_id:
        document["instance"] = f"urn:clampline:request:{request_id}"
    if problem.defects:
        bodiless = request.method in _SAFE_METHODS
        document["errors"] = [_error(defect, bodiless=bodiless) for defect in problem.defects]
    return document | problem.extra


def _error(defect: Defect, *, bodiless: bool) -> dict[str, str]:
    # A parameter's name is marked by "?": "/?limit" from a query, "/after" from a selector.
    if defect.pointer.startswith("/?") or bodiless:
        where = {"parameter": defect.pointer.lstrip("/?")}
    else:
        where = {"pointer": defect.pointer}
    right = {"expected": defect.right} if defect.right else {}
    return where | {"detail": defect.what} | right


def problem_of(error: BaseException) -> Problem | None:
    """What an exception tells a caller; None where it is a defect of ours."""
    if isinstance(error, Problem):
        return error
    if isinstance(error, exceptions.ValidationError):
        return Invalid("The request does not fit.", defects=tuple(defects_of(error.detail)))
    if isinstance(error, exceptions.UnsupportedMediaType):
        return WrongMediaType("Send the body as application/json.")
    if isinstance(error, exceptions.MethodNotAllowed):
        return MethodRefused(str(error.detail))
    if isinstance(error, exceptions.ParseError):
        return Malformed(str(error.detail))
    if isinstance(error, RequestDataTooBig):
        return TooLarge("The body is larger than what is taken here.")
    if isinstance(error, Http404):
        return NotFound("There is nothing at this address.")
    if isinstance(error, PermissionDenied):
        return NotAllowed("This is not allowed.")
    return database_problem(error)


def drf_exception_handler(error: Exception, context: Mapping[str, Any]) -> Response | None:
    """What the framework's views call with every exception."""
    problem = problem_of(error)
    if problem is None:
        return None
    if isinstance(problem, Unavailable):
        log.warning("answered 503: %s", error)
    view = context["view"]
    if isinstance(problem, WrongMediaType):
        kinds = ", ".join(parser.media_type for parser in view.get_parsers())
        problem = WrongMediaType(f"Send the body as {kinds}.")
    headers = dict(problem.headers)
    if isinstance(problem, MethodRefused):
        headers["Allow"] = ", ".join(view.allowed_methods)
    if isinstance(problem, NotSignedIn):
        headers["WWW-Authenticate"] = 'Bearer realm="clampline"'
    document = problem_document(problem, context["request"]._request)  # noqa: SLF001
    return Response(document, problem.status, headers=headers, content_type=MEDIA_TYPE)


def defects_of(detail: Any, pointer: str = "") -> Iterator[Defect]:
    """The nested errors of a serializer, flat and with JSON pointers."""
    if isinstance(detail, Mapping):
        for key, inner in detail.items():
            own = key == api_settings.NON_FIELD_ERRORS_KEY
            yield from defects_of(inner, pointer if own else f"{pointer}/{_escaped(str(key))}")
    elif isinstance(detail, Sequence) and not isinstance(detail, str):
        for index, inner in enumerate(detail):
            plain = isinstance(inner, str)
            yield from defects_of(inner, pointer if plain else f"{pointer}/{index}")
    else:
        yield Defect(pointer, str(detail))


def _escaped(key: str) -> str:
    return key.replace("~", "~0").replace("/", "~1")


class ProblemMiddleware:
    """Turns every other error below /api/ into a problem, and keeps answers out of caches."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        """Answer; pages are left as they are."""
        answer = self.get_response(request)
        if not request.path_info.startswith(ROOT):
            return answer
        if answer.status_code >= HTTPStatus.BAD_REQUEST and not _is_problem(answer):
            answer = _as_problem(request, answer)
        answer.headers.setdefault("Cache-Control", "no-store")
        return answer


def _is_problem(answer: HttpResponseBase) -> bool:
    return answer.headers.get("Content-Type", "").startswith(MEDIA_TYPE)


def _as_problem(request: HttpRequest, answer: HttpResponseBase) -> HttpResponse:
    status = HTTPStatus(answer.status_code)
    known: dict[HTTPStatus, Problem] = {
        HTTPStatus.NOT_FOUND: NotFound("There is nothing at this address."),
        HTTPStatus.FORBIDDEN: NotAllowed("This is not allowed."),
        HTTPStatus.CONFLICT: Conflict("This is not possible now."),
        HTTPStatus.LENGTH_REQUIRED: LengthRequired("Send the body with its Content-Length."),
        HTTPStatus.REQUEST_ENTITY_TOO_LARGE: TooLarge("The body is larger than is taken here."),
        HTTPStatus.SERVICE_UNAVAILABLE: Unavailable("The server cannot answer this now."),
        HTTPStatus.BAD_REQUEST: Malformed("The server does not take requests of this form."),
    }
    problem = known.get(status) or Unexpected("The request could not be answered; it is logged.")
    made = _response(problem, request, status)
    # All that was said beside the body stays, what browsers are told to keep to above all.
    for name, value in answer.headers.items():
        if name.lower() not in _OF_THE_BODY:
            made.headers[name] = value
    return made


def _response(problem: Problem, request: HttpRequest, status: int) -> HttpResponse:
    document = problem_document(problem, request) | {"status": int(status)}
    made = HttpResponse(json.dumps(document), content_type=MEDIA_TYPE, status=status)
    for name, value in problem.headers.items():
        made.headers[name] = value
    return made


def server_error(request: HttpRequest) -> HttpResponse:
    """The handler of what nobody caught: 503 or 507 where the database is at fault, else 500."""
    problem = database_problem(sys.exception())
    status = HTTPStatus.INTERNAL_SERVER_ERROR if problem is None else problem.status
    if request.path_info.startswith(ROOT):
        told = problem or Unexpected("The request could not be answered; it is logged.")
        return _response(told, request, status)
    page = defaults.server_error(request)
    page.status_code = int(status)
    for name, value in (problem.headers if problem else {}).items():
        page.headers[name] = value
    return page
