"""Django's registration of the app ``core``."""

from __future__ import annotations

from typing import Any

from django import forms
from django.apps import AppConfig
from django.db import connections
from django.db.backends.signals import connection_created
from django.db.models.signals import post_migrate, pre_migrate


class CoreConfig(AppConfig):
    """The app ``core``."""

    name = "core"
    label = "core"
    verbose_name = "Core"

    def ready(self) -> None:
        """Hang the database's guards on migration, and the scope on new connections; say of what is
        missing in a form what to do."""
        pre_migrate.connect(_before_migration, sender=self, dispatch_uid="lower walls")
        post_migrate.connect(_after_migration, sender=self, dispatch_uid="raise walls")
        connection_created.connect(_on_connection, dispatch_uid="tell scope")
        # Of all forms, before any of them is made: fields take their messages when they are made.
        forms.Field.default_error_messages["required"] = "This is missing; right: fill it in"


def _before_migration(*, using: str, **_: Any) -> None:
    from core.tenancy.walls import lower_walls

    lower_walls(connections[using])


def _after_migration(*, using: str, **_: Any) -> None:
    from core.tenancy.walls import raise_walls

    raise_walls(connections[using])


def _on_connection(**_: Any) -> None:
    from core.tenancy.scope import tell_new_connection

    tell_new_connection()
