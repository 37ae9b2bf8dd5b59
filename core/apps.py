"""Django's registration of the app ``core``."""

from __future__ import annotations

from django.apps import AppConfig


class CoreConfig(AppConfig):
    """The app ``core``."""

    name = "core"
    label = "core"
    verbose_name = "Core"
