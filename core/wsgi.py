"""The server's entry point: ``gunicorn core.wsgi:application``."""

from __future__ import annotations

from django.core.wsgi import get_wsgi_application

from core.environment import choose_settings

choose_settings()
application = get_wsgi_application()
