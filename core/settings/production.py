"""Production: everything from the environment, and no start with weak or missing settings."""

from __future__ import annotations

from django.core.exceptions import ImproperlyConfigured

from core import environment
from core.settings.base import *  # noqa: F403 - settings modules build on each other
from core.settings.base import BASE_DIR
from core.settings.databases import database, redis_cache

DEBUG = False

SHORTEST_KEY = 50

SECRET_KEY = environment.secret("CLAMPLINE_SECRET_KEY", default="")
if len(SECRET_KEY) < SHORTEST_KEY:
    raise ImproperlyConfigured(
        f"CLAMPLINE_SECRET_KEY has to hold at least {SHORTEST_KEY} random characters"
    )

ALLOWED_HOSTS = environment.names("CLAMPLINE_ALLOWED_HOSTS", default=())
if not ALLOWED_HOSTS:
    raise ImproperlyConfigured("CLAMPLINE_ALLOWED_HOSTS has to name the hosts to answer for")

_DATABASE_URL = environment.secret("DATABASE_URL", default="")
REDIS_URL = environment.secret("REDIS_URL", default="")
if not _DATABASE_URL or not REDIS_URL:
    raise ImproperlyConfigured("production needs DATABASE_URL and REDIS_URL")

DATABASES = {"default": database(_DATABASE_URL, "")}
CACHES = {"default": redis_cache(REDIS_URL)}

STATIC_ROOT = BASE_DIR / "static-files"
WHITENOISE_USE_FINDERS = False

# The proxy in front ends TLS and says so in this header; it has to drop a client's own.
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
SECURE_SSL_REDIRECT = environment.flag("CLAMPLINE_HTTPS_ONLY", default=True)
SECURE_HSTS_SECONDS = 365 * 24 * 3600
SECURE_HSTS_INCLUDE_SUBDOMAINS = True
SECURE_HSTS_PRELOAD = True
SESSION_COOKIE_SECURE = True
SESSION_COOKIE_NAME = "__Host-session"
CSRF_COOKIE_SECURE = True
CSRF_COOKIE_NAME = "__Host-csrf"
