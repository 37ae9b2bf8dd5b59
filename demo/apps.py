"""The demo as an app, for its command; production's settings do not install it."""

from __future__ import annotations

from django.apps import AppConfig


class DemoConfig(AppConfig):
    """Invented data; no tables of its own."""

    name = "demo"
