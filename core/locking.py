"""The one way to lock rows: within a transaction, sorted by id, as late as possible.

PostgreSQL locks the rows. SQLite has no row locks; its transactions take the write lock at their
start (IMMEDIATE), so that within one nobody else writes at all.
"""

from __future__ import annotations

from typing import TypeVar

from django.db import connection, models

from core.problems import Stale
from core.tenancy.owned import ContractorOwned

_Row = TypeVar("_Row", bound=ContractorOwned)


def locked(rows: models.QuerySet[_Row]) -> list[_Row]:
    """These rows, fetched again and held until the transaction ends."""
    ordered = rows.order_by("pk")
    if connection.features.has_select_for_update:
        ordered = ordered.select_for_update(of=("self",))
    return list(ordered)


def locked_one(row: _Row) -> _Row:
    """This row as it is now, held until the transaction ends.

    Raises LookupError where it is gone.
    """
    found = locked(type(row).objects.filter(pk=row.pk))
    if not found:
        raise LookupError(f"{type(row).__name__} {row.pk} is gone")
    return found[0]


def lock_name(name: str) -> None:
    """Hold a name until the transaction ends, where there is no row to hold."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(hashtextextended(%s, 0))", [name])


def refuse_past(what: str, there: int, version: int, **more: str) -> None:
    """Raise Stale where a thing is not at the version that was read; ``more`` is told with it."""
    if there != version:
        raise Stale(
            f"The {what} is at version {there}, not {version}: read it again.",
            extra={"version": there, **more},
        )
