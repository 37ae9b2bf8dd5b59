"""Entity tags: which version of a thing a request means, and whether a reader has it already."""

from __future__ import annotations

import re

from rest_framework.request import Request

from core.problems import PreconditionRequired, Stale

_TAG = re.compile(r'(?:W/)?"[\x21\x23-\x7e]*"')


def version_tag(version: int) -> str:
    """The entity tag of a thing that people edit."""
    return f'"v{version}"'


def revision_tag(revision: int) -> str:
    """The entity tag of a path's map."""
    return f'"r{revision}"'


def require_match(request: Request, tag: str) -> None:
    """Raise PreconditionRequired without If-Match, Stale where it names another version."""
    given = request.headers.get("If-Match", "").strip()
    tags = _TAG.findall(given)
    if not tags:
        raise PreconditionRequired(
            "Send the ETag that came with the thing as If-Match, so that nobody's change is lost."
        )
    if tag not in tags:
        raise Stale(
            "It was changed since you read it: read it again and look whether your change fits.",
            headers={"ETag": tag},
        )


def matched_revision(request: Request) -> int:
    """The revision of a map that If-Match names. Raises PreconditionRequired without one."""
    given = request.headers.get("If-Match", "").strip()
    found = re.fullmatch(r'"r(\d{1,9})"', given)
    if found is None:
        raise PreconditionRequired(
            "Send the ETag that came with the survey as If-Match, so that nobody's change is lost."
        )
    return int(found[1])


def is_unchanged(request: Request, tag: str) -> bool:
    """Whether the reader says by If-None-Match that it has this version."""
    given = request.headers.get("If-None-Match", "").strip()
    return given == "*" or tag in [found.removeprefix("W/") for found in _TAG.findall(given)]
