"""Whose rows the running code may see: one contractor's, or, for a named reason, everyone's.

A query outside a scope raises, so that forgetting one is an error and not a leak. On PostgreSQL
the scope is also told to the connection, where row-level security is the second wall.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Literal

from django.db import connection

EVERYWHERE: Literal["*"] = "*"
SETTING = "clampline.contractor"

_scope: ContextVar[int | Literal["*"] | None] = ContextVar("contractor_scope", default=None)


class ScopeMissingError(RuntimeError):
    """A contractor's rows were asked for, or written, outside its scope."""


def current_scope() -> int | Literal["*"]:
    """The id of the contractor in scope, or ``EVERYWHERE``. Raises ScopeMissingError."""
    found = _scope.get()
    if found is None:
        raise ScopeMissingError(
            "no contractor is in scope; wrap the work in contractor_scope(contractor_id)"
        )
    return found


def current_contractor_id() -> int:
    """The contractor in scope. Raises ScopeMissingError where there is none or it is everyone."""
    found = current_scope()
    if found == EVERYWHERE:
        raise ScopeMissingError("all contractors are in scope; name one to write rows")
    return found


@contextmanager
def contractor_scope(contractor_id: int) -> Iterator[None]:
    """See and write the rows of this contractor alone."""
    with _scoped(contractor_id):
        yield


@contextmanager
def everywhere(*, reason: str) -> Iterator[None]:
    """See the rows of all contractors: signing in, jobs, the sequencer, moving data.

    ``reason`` is for the reader of the code; it has to say something.
    """
    if not reason.strip():
        raise ValueError("say why all contractors' rows are needed")
    with _scoped(EVERYWHERE):
        yield


@contextmanager
def _scoped(scope: int | Literal["*"]) -> Iterator[None]:
    before = _scope.get()
    token = _scope.set(scope)
    _tell_connection(scope)
    try:
        yield
    finally:
        _scope.reset(token)
        _tell_connection(before)


def _tell_connection(scope: int | Literal["*"] | None) -> None:
    if connection.vendor != "postgresql":
        return
    if connection.in_atomic_block and connection.needs_rollback:
        # The setting goes back with the transaction, and no statement is taken until then.
        return
    if scope is None and connection.connection is None:
        return
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT set_config(%s, %s, false)", [SETTING, "" if scope is None else str(scope)]
        )


def tell_new_connection() -> None:
    """A connection made anew in the midst of a scope (the server was restarted) learns it."""
    scope = _scope.get()
    if scope is not None:
        _tell_connection(scope)
