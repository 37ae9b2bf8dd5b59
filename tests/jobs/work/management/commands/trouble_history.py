"""A contractor whose first path has a bad stretch, as the tests of nights have it."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from core.accounts.actor import system_actor
from core.models import Contractor
from core.tenancy.scope import contractor_scope
from tests.trouble.history import troubled


class Command(BaseCommand):
    def handle(self, *_: Any, **__: Any) -> None:
        contractor = Contractor.objects.get()
        with contractor_scope(contractor.pk):
            troubled(system_actor(contractor.pk, "tests"))
