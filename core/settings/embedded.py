"""The default: an SQLite file and no other service.

SQLite has no row locks, so a writing transaction takes the write lock at its start (IMMEDIATE)
instead of failing half-way. ``DATABASE_URL`` and ``REDIS_URL`` alone choose PostgreSQL and Redis.
"""

from __future__ import annotations

from core import environment
from core.settings.base import *  # noqa: F403 - settings modules build on each other
from core.settings.base import BASE_DIR, INSTALLED_APPS
from core.settings.databases import database

# Invented data, for whoever tries it out; production has no command that makes any.
INSTALLED_APPS = [*INSTALLED_APPS, "demo.apps.DemoConfig"]

DEBUG = environment.flag("CLAMPLINE_DEBUG", default=False)

SECRET_KEY = environment.secret("CLAMPLINE_SECRET_KEY", default="") or environment.kept_secret(
    BASE_DIR / ".clampline-secret-key"
)

ALLOWED_HOSTS = environment.names(
    "CLAMPLINE_ALLOWED_HOSTS", default=("localhost", "127.0.0.1", "[::1]")
)

DATABASES = {
    "default": database(
        environment.text("DATABASE_URL"),
        environment.text("CLAMPLINE_SQLITE_FILE", default=str(BASE_DIR / "clampline.sqlite3")),
    )
}

REDIS_URL = environment.text("REDIS_URL")
