"""Django's registration of the app ``api``."""

from __future__ import annotations

from django.apps import AppConfig


class ApiConfig(AppConfig):
    """The app ``api``."""

    name = "api"
    label = "api"
    verbose_name = "API"
