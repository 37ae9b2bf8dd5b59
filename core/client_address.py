"""The address of who asks, behind as many proxies as the settings say."""

from __future__ import annotations

import ipaddress

from django.conf import settings
from django.http import HttpRequest


def client_address(request: HttpRequest) -> str:
    """The address that the outermost trusted proxy saw; without proxies, the connection's own.

    Each proxy adds at the right of X-Forwarded-For whom it was asked by; what stands further left
    is the client's word and counts for nothing. A header that is too short, or holds no address
    there, did not come through all proxies: then it is the connection's own as well.
    """
    own = str(request.META.get("REMOTE_ADDR", ""))
    proxies: int = settings.PROXIES
    chain = str(request.META.get("HTTP_X_FORWARDED_FOR", "")).split(",")
    if proxies == 0 or len(chain) < proxies:
        return own
    try:
        return str(ipaddress.ip_address(chain[-proxies].strip()))
    except ValueError:
        return own
