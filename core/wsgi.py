"""The server's entry point: ``gunicorn core.wsgi:application``."""

from __future__ import annotations

from django.apps import apps
from django.core.wsgi import get_wsgi_application

from core.environment import choose_settings
from core.jobs.publisher import get_ready_to_publish

choose_settings()
application = get_wsgi_application()
get_ready_to_publish()
for app in apps.get_app_configs():
    # What the first request would otherwise wait for.
    getattr(app, "get_ready_to_serve", lambda: None)()
