"""How large a request may be, told before anything of it is read.

The framework counts neither files nor what is read for a request that is refused later, and keeps
both; so the length that is told in front decides. The server below reads no further than that.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from django.http import HttpRequest, HttpResponseBase

from core.pages.problems import problem_page
from core.problems import LengthRequired, Problem, TooLarge

PAGES_MOST_BYTES = 9 * 1024 * 1024
"""A photo has at most 8 MiB, and its form needs some room."""
API_MOST_BYTES = 21 * 1024 * 1024
"""A survey has at most 20 MB."""
API_ROOT = "/api/"
SURVEY_PAGES = re.compile(r"/(controllers|paths)/[^/]+/survey")
"""Pages that take a survey as a file."""


class BodyLimitMiddleware:
    """Stands before everything that reads a body; below ``/api/`` its answers become problems."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        """Answer 413 for a body that is too large, 411 for one of a length that is not told."""
        problem = _refusal(request)
        return self.get_response(request) if problem is None else problem_page(request, problem)


def _refusal(request: HttpRequest) -> Problem | None:
    if "Transfer-Encoding" in request.headers:
        return LengthRequired("Send the body in one piece, with its Content-Length.")
    most = API_MOST_BYTES if _takes_surveys(request.path_info) else PAGES_MOST_BYTES
    try:
        told = int(request.META.get("CONTENT_LENGTH") or 0)
    except ValueError:  # read as no body, by the framework too
        told = 0
    if told > most:
        return TooLarge(f"What was sent is larger than the {most} bytes that are taken here.")
    return None


def _takes_surveys(path: str) -> bool:
    return path.startswith(API_ROOT) or SURVEY_PAGES.fullmatch(path) is not None
