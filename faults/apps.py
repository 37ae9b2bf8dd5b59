"""Django's registration of the app ``faults``."""

from __future__ import annotations

from django.apps import AppConfig


class FaultsConfig(AppConfig):
    """The app ``faults``."""

    name = "faults"
    label = "faults"
    verbose_name = "Faults"

    def get_ready_to_serve(self) -> None:
        """Check the schemas of the forms that requests bring."""
        from faults.forms.schema_files import form_defects

        for form in ("observation", "trace"):
            form_defects({}, form)
