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

    Of IPv6 it is the first address of its network of 64 bits: who asks has all the others too
    (RFC 4291, section 2.5.1), so limits that count single addresses would hold up nobody.
    """
    own = str(request.META.get("REMOTE_ADDR", ""))
    proxies: int = settings.PROXIES
    chain = str(request.META.get("HTTP_X_FORWARDED_FOR", "")).split(",")
    told = _of_one_visitor(chain[-proxies]) if 0 < proxies <= len(chain) else None
    return told or _of_one_visitor(own) or own


def _of_one_visitor(text: str) -> str | None:
    """What stands for all addresses of the visitor, nothing where this is no address."""
    try:
        address = ipaddress.ip_address(text.strip())
    except ValueError:
        return None
    if isinstance(address, ipaddress.IPv4Address):
        return str(address)
    network = ipaddress.IPv6Address(int(address) >> 64 << 64)
    return str(address.ipv4_mapped or network)
