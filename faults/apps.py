"""Django's registration of the app ``faults``."""

from __future__ import annotations

from django.apps import AppConfig


class FaultsConfig(AppConfig):
    """The app ``faults``."""

    name = "faults"
    label = "faults"
    verbose_name = "Faults"
