"""A contractor to work for."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from core.accounts.people import contractor_create
from core.tenancy.scope import everywhere


class Command(BaseCommand):
    def handle(self, *_: Any, **__: Any) -> None:
        with everywhere(reason="a test begins"):
            contractor_create(name="Alder Water Works", time_zone="Europe/Madrid")
