"""Setting HTML as a PDF; runs in a child process, which alone loads the library."""

from __future__ import annotations

import base64
from typing import Any

from weasyprint import HTML
from weasyprint.urls import URLFetcher


def set_pdf(payload: dict[str, Any]) -> dict[str, Any]:
    """``html`` as ``pdf`` (base64) with its number of ``pages``.

    Nothing is fetched but what the page itself carries as data: addresses.
    """
    fetcher = URLFetcher(allowed_protocols=["data"], allow_redirects=False)
    document = HTML(string=payload["html"], url_fetcher=fetcher).render()
    pdf = document.write_pdf(pdf_tags=True)
    return {"pdf": base64.b64encode(pdf).decode("ascii"), "pages": len(document.pages)}
