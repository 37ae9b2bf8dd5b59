"""The table of addresses in docs/api.md, held against the URL configuration."""

from __future__ import annotations

import re
from collections.abc import Iterator

from tests.api.routes import ROUTES
from tests.architecture.house import ROOT

KNOWN = {route.path: route.methods for route in ROUTES}


def table() -> Iterator[tuple[list[str], list[str]]]:
    """Each row's addresses and its methods, as they are written."""
    text = (ROOT / "docs" / "api.md").read_text(encoding="utf-8")
    for row in text.partition("## Addresses\n")[2].partition("\n## ")[0].splitlines()[3:]:
        if row:
            addresses, methods = row.strip("| ").split(" | ")
            yield re.findall(r"`([^`]+)`", addresses), methods.split("; ")


def told() -> Iterator[tuple[str, tuple[str, ...]]]:
    """Every address of the table with its methods: `/calls/{id}/repairs`, `/return-tests` are two
    below one id, and one list of methods is for all of its row."""
    for addresses, methods in table():
        each = methods * len(addresses) if len(methods) == 1 else methods
        below = ""
        for address, named in zip(addresses, each, strict=True):
            whole = address if address in KNOWN else below + address
            below = whole[: whole.find("}") + 1]
            yield whole, tuple(named.partition(":")[0].split(", "))


def test_every_address_is_told_once_with_its_methods() -> None:
    rows = list(told())
    assert len(rows) == len(dict(rows)), "an address is told twice"
    assert dict(rows) == KNOWN
