"""Settings of the tests: SQLite in memory, or the database that is named for them."""

from __future__ import annotations

from core import environment
from core.settings.base import *  # noqa: F403 - settings modules build on each other
from core.settings.base import INSTALLED_APPS
from core.settings.databases import database

INSTALLED_APPS = [*INSTALLED_APPS, "demo.apps.DemoConfig"]

DEBUG = False
SECRET_KEY = "for tests only, signs nothing that outlives a test run"  # noqa: S105
ALLOWED_HOSTS = ["testserver", "localhost", "127.0.0.1"]

DATABASES = {"default": database(environment.text("CLAMPLINE_TEST_DATABASE_URL"), ":memory:")}
if environment.text("CLAMPLINE_TEST_DATABASE_URL"):
    DATABASES["default"]["TEST"] = {"TEMPLATE": DATABASES["default"]["NAME"]}

# Argon2 takes its time by design; tests sign in often.
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
