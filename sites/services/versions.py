"""Changing a row only in the version that its editor saw."""

from __future__ import annotations

from typing import Any, TypeVar

from django.db.models import F

from core.problems import Stale
from sites.models.controller import Controller
from sites.models.property import Property
from sites.models.wire_path import WirePath

_Row = TypeVar("_Row", Property, Controller, WirePath)


def version_update(row: _Row, version: int, **columns: Any) -> _Row:
    """The row with these columns set, one version on; of two who try, one wins.

    Run in a transaction. Raises Stale where the row is past ``version``.
    """
    rows = type(row).objects.filter(pk=row.pk)
    updated = rows.filter(version=version).update(version=F("version") + 1, **columns)
    current = rows.get()
    if not updated:
        raise Stale(
            f"This is at version {current.version}, not {version}: read it again.",
            extra={"version": current.version},
        )
    return current
