"""A contractor's own figures: how reports fold, when soak checks are due, what work costs."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from decimal import Decimal

from django.db import transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.locking import lock_name, locked_one
from core.problems import Defect, Stale
from core.text_checks import refuse_defects
from faults.models.work import WorkRules

MOST_MONEY = Decimal(1_000_000)
LEAST_FOLD_HOURS = 1
"""With none, every message would be older than the window when it is told, and open no call."""

_CURRENCY = re.compile(r"[A-Z]{3}")
_RANGES = (
    ("fold_hours", LEAST_FOLD_HOURS, 24 * 366),
    ("soak_from_days", 0, 90),
    ("soak_by_days", 0, 90),
)


@dataclass(frozen=True)
class Rules:
    """The figures as ``WorkRules`` names them; money in ``currency``, an ISO 4217 code."""

    fold_hours: int = 14 * 24
    soak_from_days: int = 7
    soak_by_days: int = 14
    currency: str = ""
    hour_money: Decimal | None = None
    renew_metre_money: Decimal | None = None
    renew_metre_min: float = 3.0
    repair_min: float = 60.0

    def defects(self) -> Iterator[Defect]:
        """What does not fit, with JSON pointers."""
        for name, least, most in _RANGES:
            if not least <= getattr(self, name) <= most:
                what = f"{getattr(self, name)} is out of range"
                yield Defect(f"/{name}", what, f"{least} to {most}")
        if self.soak_by_days < self.soak_from_days:
            what = f"{self.soak_by_days} is before the first day"
            yield Defect("/soak_by_days", what, f"{self.soak_from_days} or later")
        for name in ("hour_money", "renew_metre_money"):
            money = getattr(self, name)
            if money is not None and not (money.is_finite() and 0 <= money <= MOST_MONEY):
                yield Defect(f"/{name}", f"{money} is out of range", f"0 to {MOST_MONEY}")
        if not self.currency and (self.hour_money, self.renew_metre_money) != (None, None):
            yield Defect("/currency", "money wants a currency", "a code like EUR")
        if self.currency and not _CURRENCY.fullmatch(self.currency):
            yield Defect("/currency", f"{self.currency[:10]!r} is no code", "a code like EUR")
        for name in ("renew_metre_min", "repair_min"):
            minutes = getattr(self, name)
            if not (math.isfinite(minutes) and 0 <= minutes <= 10_000):
                yield Defect(f"/{name}", f"{minutes:g} is out of range", "0 to 10000")


def work_rules() -> WorkRules:
    """The rules of the contractor in scope, the defaults where none were set: one query."""
    return WorkRules.objects.first() or WorkRules(version=0)


@transaction.atomic
def work_rules_set(*, rules: Rules, version: int, by: Actor) -> WorkRules:
    """Set the rules; ``version`` 0 where none were set. Raises Invalid, Stale."""
    refuse_defects("set of work rules", rules.defects())
    lock_name(f"work rules of {by.contractor_id}")
    row = work_rules()
    held = locked_one(row) if row.pk else row
    if held.version != version:
        raise Stale(
            f"The rules are at version {held.version}, not {version}: read them again.",
            extra={"version": held.version},
        )
    before = {name: _plain(getattr(held, name)) for name in asdict(rules)}
    for name, value in asdict(rules).items():
        setattr(held, name, value)
    held.version += 1
    held.save()
    change_record(
        by=by,
        action="work-rules.set",
        thing=("work-rules", "work-rules"),
        before=before,
        after={name: _plain(value) for name, value in asdict(rules).items()},
    )
    return held


def _plain(value: object) -> object:
    return str(value) if isinstance(value, Decimal) else value
