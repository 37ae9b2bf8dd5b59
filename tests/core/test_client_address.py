"""Whose address counts, behind none, one and two proxies."""

from __future__ import annotations

from typing import Any

import pytest
from django.core.exceptions import ImproperlyConfigured
from django.test import RequestFactory

from core import environment
from core.client_address import client_address


@pytest.mark.parametrize(
    ("proxies", "told", "address"),
    [
        (0, "203.0.113.9", "192.0.2.1"),
        (1, None, "192.0.2.1"),
        (1, "203.0.113.9", "203.0.113.9"),
        (1, "198.51.100.1, 203.0.113.9", "203.0.113.9"),
        (2, "198.51.100.1, 203.0.113.9, 10.0.0.1", "203.0.113.9"),
        (2, "203.0.113.9", "192.0.2.1"),
        (1, "2001:DB8::0:1", "2001:db8::"),
        (1, "2001:db8:0:0:89ab:cdef:1:2", "2001:db8::"),
        (1, "2001:db8:0:1::2", "2001:db8:0:1::"),
        (1, "::ffff:203.0.113.9", "203.0.113.9"),
        (1, "203.0.113.9, nonsense", "192.0.2.1"),
        (1, "203.0.113.9,", "192.0.2.1"),
    ],
)
def test_the_address_is_counted_from_the_right(
    settings: Any, proxies: int, told: str | None, address: str
) -> None:
    settings.PROXIES = proxies
    headers = {} if told is None else {"X-Forwarded-For": told}
    request = RequestFactory().get("/", headers=headers, REMOTE_ADDR="192.0.2.1")
    assert client_address(request) == address


@pytest.mark.parametrize(
    ("own", "address"), [("2001:db8::7", "2001:db8::"), ("fe80::1%eth0", "fe80::"), ("", "")]
)
def test_without_proxies_it_is_the_connection_s_own(own: str, address: str) -> None:
    assert client_address(RequestFactory().get("/", REMOTE_ADDR=own)) == address


@pytest.mark.parametrize(("found", "meant"), [("", 0), (" 2 ", 2)])
def test_a_count_is_read(monkeypatch: pytest.MonkeyPatch, found: str, meant: int) -> None:
    monkeypatch.setenv("CLAMPLINE_TRIAL", found)
    assert environment.count("CLAMPLINE_TRIAL", default=0) == meant


@pytest.mark.parametrize("found", ["-1", "one", "1.5", "²"])
def test_a_count_that_is_none_is_refused(monkeypatch: pytest.MonkeyPatch, found: str) -> None:
    monkeypatch.setenv("CLAMPLINE_TRIAL", found)
    with pytest.raises(ImproperlyConfigured, match="CLAMPLINE_TRIAL"):
        environment.count("CLAMPLINE_TRIAL", default=0)
