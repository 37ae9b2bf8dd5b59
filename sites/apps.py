"""Django's registration of the app ``sites``."""

from __future__ import annotations

from django.apps import AppConfig


class SitesConfig(AppConfig):
    """The app ``sites``.

    Its label is not ``sites``: Django's own contributed app has that one, and a label can hardly
    be changed after the first migration.
    """

    name = "sites"
    label = "clampline_sites"
    verbose_name = "Sites"
