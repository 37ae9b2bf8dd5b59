"""What differs by database, in one place."""

from __future__ import annotations

from typing import Any

import dj_database_url
from redis.backoff import NoBackoff
from redis.retry import Retry

CACHE_WAITS_S = 0.03
"""Well over what a healthy server on the same network takes, well under what anybody notices."""

SQLITE_OPTIONS = {
    "transaction_mode": "IMMEDIATE",
    "timeout": 20,
    "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA foreign_keys=ON;",
}


def redis_cache(url: str) -> dict[str, Any]:
    """Django's settings of a cache on Redis that nobody waits for: it only counts."""
    return {
        "BACKEND": "django.core.cache.backends.redis.RedisCache",
        "LOCATION": url,
        "OPTIONS": {
            "socket_timeout": CACHE_WAITS_S,
            "socket_connect_timeout": CACHE_WAITS_S,
            "retry": Retry(NoBackoff(), 0),
        },
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
