"""Two crews and some calls, and a plan of today asked for."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand

from core.accounts.actor import system_actor
from core.clock import now
from core.models import Contractor
from core.tenancy.scope import contractor_scope
from faults.services.day_plans import plan_ask
from tests.planning.towns import a_call, a_crew


class Command(BaseCommand):
    def handle(self, *_: Any, **__: Any) -> None:
        contractor = Contractor.objects.get()
        with contractor_scope(contractor.pk):
            by = system_actor(contractor.pk, "tests")
            for name in ("Ash", "Birch"):
                a_crew(by, name)
            for number in range(12):
                a_call(by, number)
            plan_ask(from_day=now().date(), days=3, by=by)
