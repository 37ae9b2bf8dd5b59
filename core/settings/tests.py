"""Settings of the tests: nothing from the environment, the database in memory."""

from __future__ import annotations

from core.settings.base import *  # noqa: F403 - settings modules build on each other

DEBUG = False
SECRET_KEY = "for tests only, signs nothing that outlives a test run"  # noqa: S105
ALLOWED_HOSTS = ["testserver"]

DATABASES = {
    "default": {
        "ENGINE": "django.db.backends.sqlite3",
        "NAME": ":memory:",
        "OPTIONS": {"transaction_mode": "IMMEDIATE"},
    }
}
