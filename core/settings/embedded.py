"""The default: one process, an SQLite file, no other service.

No table exists yet and the commands open no database; the database is set up here so that what
comes to need it finds it. SQLite has no row locks, so a writing transaction takes the write lock
at its start (IMMEDIATE) instead of failing half-way.
"""

from __future__ import annotations

import secrets

from core import environment
from core.settings.base import *  # noqa: F403 - settings modules build on each other
from core.settings.base import BASE_DIR

DEBUG = environment.flag("CLAMPLINE_DEBUG", default=False)

# A key made at start ends what was signed with it at the next start; set one to keep it.
SECRET_KEY = environment.secret("CLAMPLINE_SECRET_KEY", default=secrets.token_urlsafe(50))

ALLOWED_HOSTS = environment.names(
    "CLAMPLINE_ALLOWED_HOSTS", default=("localhost", "127.0.0.1", "[::1]")
)

DATABASES = {
    "default": {
        "ENGINE": "django.db.backends.sqlite3",
        "NAME": environment.text(
            "CLAMPLINE_SQLITE_FILE", default=str(BASE_DIR / "clampline.sqlite3")
        ),
        "OPTIONS": {
            "transaction_mode": "IMMEDIATE",
            "timeout": 20,
            "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL;",
        },
    }
}
