"""A contractor's rules for looks: how many a week, from which chance on, days without work."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction

from core import clock
from core.accounts.actor import Actor
from core.changes.record import change_record
from core.locking import lock_name, locked_one
from core.problems import Defect, Stale
from core.text_checks import refuse_defects
from faults.models.trouble import InspectionRules
from faults.services.inspection_weeks import inspections_level
from faults.services.path_looks import path_looks_withdraw
from sites.field_checks import day_defects

MOST_HOLIDAYS = 200
MOST_A_WEEK = 1000
LEAST_CHANCE, MOST_CHANCE = 0.01, 0.9
OFF_WORDS = "Paths without a flag are no longer looked at"


def inspection_rules() -> InspectionRules:
    """The rules of the contractor in scope, the defaults where none were set: one query."""
    return InspectionRules.objects.first() or InspectionRules(version=0)


@dataclass(frozen=True)
class LookRules:
    """What can be set: looks a week, the chances at which they are due (None: paths without a
    flag are not looked at), days without work."""

    weekly_capacity: int
    look_at_chance: float
    holidays: Sequence[dt.date]
    path_look_at_chance: float | None = None

    def defects(self) -> list[Defect]:
        """What does not fit, with JSON pointers."""
        found = []
        if not 1 <= self.weekly_capacity <= MOST_A_WEEK:
            what = f"{self.weekly_capacity} is out of range"
            found.append(Defect("/weekly_capacity", what, f"1 to {MOST_A_WEEK}"))
        for name in ("look_at_chance", "path_look_at_chance"):
            chance = getattr(self, name)
            if chance is not None and not LEAST_CHANCE <= chance <= MOST_CHANCE:
                right = f"{LEAST_CHANCE} to {MOST_CHANCE}"
                found.append(Defect(f"/{name}", f"{chance} is out of range", right))
        if len(self.holidays) > MOST_HOLIDAYS:
            what = f"{len(self.holidays)} days are too many"
            found.append(Defect("/holidays", what, f"at most {MOST_HOLIDAYS}"))
        for number, day in enumerate(self.holidays[:MOST_HOLIDAYS]):
            found += day_defects(f"/holidays/{number}", day)
        return found


@transaction.atomic
def inspection_rules_set(*, rules: LookRules, version: int, by: Actor) -> InspectionRules:
    """Set the rules and plan anew; ``version`` 0 where none were set.

    Where paths without a flag are no longer looked at, their open looks are withdrawn; where they
    now are, the next run asks for looks. Raises Invalid, Stale.
    """
    refuse_defects("set of rules", rules.defects())
    lock_name(f"recurrence of {by.contractor_id}")
    row = inspection_rules()
    held = locked_one(row) if row.pk else row
    if held.version != version:
        raise Stale(
            f"The rules are at version {held.version}, not {version}: read them again.",
            extra={"version": held.version},
        )
    before = _told(held) if held.pk else None
    held.weekly_capacity, held.look_at_chance = rules.weekly_capacity, rules.look_at_chance
    held.path_look_at_chance = rules.path_look_at_chance
    held.holidays = sorted({day.isoformat() for day in rules.holidays})
    held.version += 1
    held.save()
    change_record(
        by=by,
        action="inspection-rules.set",
        thing=("inspection-rules", "inspection-rules"),
        before=before,
        after=_told(held),
    )
    if held.path_look_at_chance is None:
        path_looks_withdraw(why=OFF_WORDS, by=by)
    inspections_level(as_of=clock.now(), rules=held)
    return held


def _told(rules: InspectionRules) -> dict[str, Any]:
    return {
        "weekly_capacity": rules.weekly_capacity,
        "look_at_chance": rules.look_at_chance,
        "path_look_at_chance": rules.path_look_at_chance,
        "holidays": rules.holidays,
    }
