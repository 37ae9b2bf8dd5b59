"""A crew's calendar at its secret address: for calendar programs, which cannot sign in."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_safe

from core.client_address import client_address
from core.counting import count_in_window
from core.problems import NotFound
from faults.services.calendar_addresses import calendar_of

MOST_A_MINUTE = 60


@require_safe
def calendar(request: HttpRequest, secret: str) -> HttpResponse:
    """The calendar, or 404, which looks the same for what was revoked and what never was."""
    headers = {"Cache-Control": "private, no-store", "X-Robots-Tag": "noindex"}
    if _asked_too_often(request):
        return HttpResponse("Too many requests.", "text/plain", 429, headers=headers)
    try:
        text = calendar_of(secret)
    except NotFound as missing:
        return HttpResponse(missing.detail, "text/plain", 404, headers=headers)
    return HttpResponse(text, "text/calendar; charset=utf-8", headers=headers)


def _asked_too_often(request: HttpRequest) -> bool:
    """Secrets have 256 bits; this keeps guessing from costing us anything."""
    used, _ = count_in_window(f"calendars:{client_address(request)}", 60)
    return used > MOST_A_MINUTE
