"""A contractor whose first path has a bad stretch and who looks at other paths too, as the tests of
nights have it."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.core.management.base import BaseCommand

from core.accounts.actor import system_actor
from core.clock import now
from core.models import Contractor, Job, JobState
from core.tenancy.scope import contractor_scope
from faults.services.inspection_rules import LookRules, inspection_rules_set
from faults.services.recurrence_runs import RECURRENCE, night_key
from tests.trouble.history import troubled


class Command(BaseCommand):
    def handle(self, *_: Any, **__: Any) -> None:
        contractor = Contractor.objects.get()
        with contractor_scope(contractor.pk):
            by = system_actor(contractor.pk, "tests")
            troubled(by)
            rules = LookRules(2, 0.2, holidays=(), path_look_at_chance=0.2)
            inspection_rules_set(rules=rules, version=0, by=by)
            # The beat has nothing to ask for by itself: only what the tests ask for is run.
            for days in (-1, 0, 1, 2):
                Job.objects.create(
                    kind=RECURRENCE,
                    dedupe_key=night_key(now().date() + dt.timedelta(days=days)),
                    state=JobState.CANCELLED,
                    asked_by="tests",
                    created_at=now(),
                    max_attempts=1,
                )
