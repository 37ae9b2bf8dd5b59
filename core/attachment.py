"""Files as answers: to be saved, not shown, and kept by no cache on the way."""

from __future__ import annotations

from django.http import HttpResponse


def attachment(content: bytes | str, media_type: str, name: str) -> HttpResponse:
    """A file under a name of ours; nothing of what others wrote may be in the name."""
    return HttpResponse(
        content,
        content_type=media_type,
        headers={
            "Content-Disposition": f'attachment; filename="{name}"',
            "X-Content-Type-Options": "nosniff",
            "Cache-Control": "private, no-store",
        },
    )
