"""Settings shared by every way of running Clampline."""

from __future__ import annotations

from pathlib import Path

from core import environment
from core.settings.rest import *  # noqa: F403 - settings modules build on each other

BASE_DIR = Path(__file__).resolve().parents[2]

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "rest_framework",
    "drf_spectacular",
    "drf_spectacular_sidecar",
    "axes",
    "core.apps.CoreConfig",
    "sites.apps.SitesConfig",
    "faults.apps.FaultsConfig",
    "api.apps.ApiConfig",
]

MIDDLEWARE = [
    "api.problems.ProblemMiddleware",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    # Nothing above it reads a body.
    "core.body_limit.BodyLimitMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "core.accounts.middleware.ActorMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "axes.middleware.AxesMiddleware",
]

ROOT_URLCONF = "core.urls"
WSGI_APPLICATION = "core.wsgi.application"

TEMPLATES: list[dict[str, object]] = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.messages.context_processors.messages",
            ],
        },
    }
]

DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

USE_TZ = True
TIME_ZONE = "UTC"
LANGUAGE_CODE = "en-us"

AUTH_USER_MODEL = "core.Person"
AUTHENTICATION_BACKENDS = [
    "axes.backends.AxesStandaloneBackend",
    "core.accounts.sign_in.PersonBackend",
]
PASSWORD_HASHERS = ["django.contrib.auth.hashers.Argon2PasswordHasher"]
_VALIDATION = "django.contrib.auth.password_validation"
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": f"{_VALIDATION}.MinimumLengthValidator", "OPTIONS": {"min_length": 12}},
    {"NAME": f"{_VALIDATION}.CommonPasswordValidator"},
]
LOGIN_URL = "sign-in"
CSRF_FAILURE_VIEW = "core.pages.errors.csrf_failure"

# So many proxies stand in front, each of which adds to X-Forwarded-For whom it was asked by.
PROXIES = environment.count("CLAMPLINE_PROXIES", default=0)

# Locked out for a while after so many wrong passwords for one name from one address.
AXES_FAILURE_LIMIT = 8
AXES_COOLOFF_TIME = 0.25
# What the form and the backends call the name; else a lock counts for nobody.
AXES_USERNAME_FORM_FIELD = "username"
AXES_LOCKOUT_PARAMETERS = [["username", "ip_address"]]
AXES_CLIENT_IP_CALLABLE = "core.client_address.client_address"
AXES_VERBOSE = False
AXES_LOCKOUT_CALLABLE = "core.pages.sign_in.locked_out"

SESSION_COOKIE_AGE = 12 * 3600
# Of a link with which a password is set anew.
PASSWORD_RESET_TIMEOUT = 24 * 3600
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
CSRF_COOKIE_HTTPONLY = True
CSRF_COOKIE_SAMESITE = "Lax"

X_FRAME_OPTIONS = "DENY"
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'none'"],
        "script-src": ["'self'"],
        "style-src": ["'self'"],
        "img-src": ["'self'", "data:"],
        "connect-src": ["'self'"],
        "font-src": ["'self'"],
        "manifest-src": ["'self'"],
        "form-action": ["'self'"],
        "base-uri": ["'none'"],
        "frame-ancestors": ["'none'"],
    }
}

STATIC_URL = "/static/"
# Files are found where the apps keep them; only production gathers them first.
WHITENOISE_USE_FINDERS = True

# Photos lie here under random names; no address leads to them but those that ask who is asking.
MEDIA_ROOT = environment.text("CLAMPLINE_MEDIA_FOLDER", default=str(BASE_DIR / "media"))

# A survey has at most 20 MB; everything else is kept smaller where it is read. Files do not count
# towards this: core/body_limit.py sees to them.
DATA_UPLOAD_MAX_MEMORY_SIZE = 21 * 1024 * 1024

REDIS_URL = ""
