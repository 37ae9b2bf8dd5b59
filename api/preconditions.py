"""Entity tags: which version of a thing a request means, and whether a reader has it already.

The tag of a thing that people edit is ``"v3.1f2e3d4c5b6a"``: its version, which an edit has to
name, and a digest of the document, for that also shows things beside it that change by themselves.
"""

from __future__ import annotations

import hashlib
import json
import re
from typing import Any

from rest_framework.request import Request
from rest_framework.response import Response

from core.problems import PreconditionRequired, Stale

_TAG = re.compile(r'(?:W/)?"[\x21\x23-\x7e]*"')
_VERSION = re.compile(r'"v(\d{1,9})(?:\.[0-9a-f]+)?"')
_REVISION = re.compile(r'"r(\d{1,9})"')


class UnchangedResponse(Response):
    """304: the reader has this version already."""

    def __init__(self, tag: str) -> None:
        super().__init__(status=304, headers={"ETag": tag})


def versioned_response(request: Request, data: Any, version: int, status: int = 200) -> Response:
    """The document of a thing with its tag, or 304 for a reader who has it."""
    text = json.dumps(data, sort_keys=True, default=str)
    tag = f'"v{version}.{hashlib.sha256(text.encode()).hexdigest()[:12]}"'
    if request.method == "GET" and is_unchanged(request, tag):
        return UnchangedResponse(tag)
    return Response(data, status, headers={"ETag": tag})


def revision_tag(revision: int) -> str:
    """The entity tag of a path's map."""
    return f'"r{revision}"'


def require_version(request: Request, version: int) -> None:
    """Raise PreconditionRequired without If-Match, Stale where it names another version."""
    given = request.headers.get("If-Match", "").strip()
    if not _TAG.findall(given):
        raise _no_tag(given, "the thing")
    if str(version) not in _VERSION.findall(given):
        raise Stale(
            "It was changed since you read it: read it again and look whether your change fits.",
            extra={"version": version},
        )


def matched_revision(request: Request) -> int:
    """The revision of a map that If-Match names. Raises PreconditionRequired without one."""
    given = request.headers.get("If-Match", "").strip()
    found = _REVISION.fullmatch(given)
    if found is None:
        raise _no_tag(given, "the survey")
    return int(found[1])


def _no_tag(given: str, what: str) -> PreconditionRequired:
    told = f"Send the ETag that came with {what} as If-Match, so that nobody's change is lost"
    if given:
        told += f"; {given[:60]!r} is none of {what}: one tag, as it came, with its quotes"
    return PreconditionRequired(f"{told}.")


def is_unchanged(request: Request, tag: str) -> bool:
    """Whether the reader says by If-None-Match that it has this version."""
    given = request.headers.get("If-None-Match", "").strip()
    return given == "*" or tag in [found.removeprefix("W/") for found in _TAG.findall(given)]
