"""Connections that broke while nobody used them: a job computes for minutes between two queries."""

from __future__ import annotations

from django.db import connection


def drop_stale_connection() -> None:
    """Close this thread's connection if it is broken or over its age; the next query opens one.

    Within a transaction nothing is done: there the connection is in use.
    """
    if not connection.in_atomic_block:
        connection.close_if_unusable_or_obsolete()
