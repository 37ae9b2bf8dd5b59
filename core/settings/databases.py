"""What differs by database, in one place."""

from __future__ import annotations

from typing import Any

import dj_database_url

SQLITE_OPTIONS = {
    "transaction_mode": "IMMEDIATE",
    "timeout": 20,
    "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON;",
}


def database(url: str, sqlite_file: str) -> dict[str, Any]:
    """Django's settings of the database at ``url``; without one, of the SQLite file."""
    if not url:
        return {
            "ENGINE": "django.db.backends.sqlite3",
            "NAME": sqlite_file,
            "OPTIONS": dict(SQLITE_OPTIONS),
        }
    return dict(dj_database_url.parse(url, conn_max_age=60, conn_health_checks=True))
