"""Answers where no view could give one."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from core.pages.problems import problem_page
from core.problems import NotFound, Problem

NOT_HERE = "There is no such page here, or what it showed belongs to somebody else."


def bad_request(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:  # noqa: ARG001
    """400: the browser sent what cannot be read."""
    return problem_page(request, Problem("The browser sent something that cannot be read."))


def not_found(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:  # noqa: ARG001
    """404."""
    return problem_page(request, NotFound(NOT_HERE))


def csrf_failure(request: HttpRequest, reason: str = "") -> HttpResponse:  # noqa: ARG001
    """403: a form without its token, mostly one that was open since before a sign-in."""
    context = {
        "title": "Please send it again",
        "detail": (
            "This form was opened before the last sign-in, or cookies are off. Go back, load the "
            "page again and send it once more. Nothing was changed."
        ),
    }
    return render(request, "core/problem.html", context, status=403)
