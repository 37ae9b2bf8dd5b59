"""Whether this process answers at all."""

from __future__ import annotations

from django.http import HttpRequest, JsonResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe


@require_safe
@never_cache
def livez(_request: HttpRequest) -> JsonResponse:
    """Say that the process is alive. It looks at nothing else: no database, no service."""
    return JsonResponse({"status": "alive"})
