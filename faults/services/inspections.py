"""Follow-up looks: when they are due, in which week, and what they came to."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Max

from core import clock
from core.accounts.actor import Actor
from core.changes.record import change_record
from core.locking import lock_name, locked_one
from core.models.accounts import Contractor
from core.problems import Defect, IllegalMove, Invalid, Stale
from core.tenancy.scope import current_contractor_id
from faults.inspection_due import DueFacts, due_day
from faults.models.trouble import (
    FlagState,
    Inspection,
    InspectionResult,
    InspectionRules,
    InspectionState,
    TroubleFlag,
)
from faults.recurrence.levelling import Look, WeekRules, levelled_weeks
from sites.field_checks import line_defects, name_defects, refuse_defects
from sites.models.controller import Season

MOST_NOTE = 450
MOST_HOLIDAYS = 200
SKIPPED_REST_DAYS = 28
"""A look that was skipped is asked for again after so many days."""

_WORK_DAYS = 5


def inspection_rules() -> InspectionRules:
    """The rules of the contractor in scope, the defaults where none were set: one query."""
    return InspectionRules.objects.first() or InspectionRules(version=0)


@dataclass(frozen=True)
class LookRules:
    """What can be set: looks a week, the chance at which one is due, days without work."""

    weekly_capacity: int
    look_at_chance: float
    holidays: Sequence[dt.date]

    def defects(self) -> list[Defect]:
        """What does not fit, with JSON pointers."""
        found = []
        if not 1 <= self.weekly_capacity <= 1000:
            what = f"{self.weekly_capacity} is out of range"
            found.append(Defect("/weekly_capacity", what, "1 to 1000"))
        if not 0.01 <= self.look_at_chance <= 0.9:
            what = f"{self.look_at_chance} is out of range"
            found.append(Defect("/look_at_chance", what, "0.01 to 0.9"))
        if len(self.holidays) > MOST_HOLIDAYS:
            what = f"{len(self.holidays)} days are too many"
            found.append(Defect("/holidays", what, f"at most {MOST_HOLIDAYS}"))
        return found


@transaction.atomic
def inspection_rules_set(*, rules: LookRules, version: int, by: Actor) -> InspectionRules:
    """Set the rules and plan anew; ``version`` 0 where none were set. Raises Invalid, Stale."""
    refuse_defects("rules", rules.defects())
    lock_name(f"recurrence of {by.contractor_id}")
    row = inspection_rules()
    held = locked_one(row) if row.pk else row
    if held.version != version:
        raise Stale(
            f"The rules are at version {held.version}, not {version}: read them again.",
            extra={"version": held.version},
        )
    held.weekly_capacity, held.look_at_chance = rules.weekly_capacity, rules.look_at_chance
    held.holidays = sorted({day.isoformat() for day in rules.holidays})
    held.version += 1
    held.save()
    change_record(
        by=by,
        action="inspection-rules.set",
        thing=("inspection-rules", "inspection-rules"),
        after={"weekly_capacity": held.weekly_capacity, "holidays": held.holidays},
    )
    _level(clock.now())
    return held


def inspections_plan(*, as_of: dt.datetime, by: Actor) -> None:
    """Ask for a look at each live flag that has none, and plan all open ones, within the caller's
    transaction. Done again for the same moment it changes nothing."""
    rules = inspection_rules()
    flags = TroubleFlag.objects.exclude(state=FlagState.CLEARED).select_related(
        "path__controller__property"
    )
    open_looks = {one.flag_id: one for one in Inspection.objects.filter(state=InspectionState.OPEN)}
    latest = _latest_by_flag()
    facts = DueFacts(as_of, rules.look_at_chance)
    for flag in flags.order_by("pk"):
        before = latest.get(flag.pk)
        due = due_day(flag, before, facts)
        if before is not None and before.state == InspectionState.SKIPPED and before.ended_at:
            due = max(due, before.ended_at.date() + dt.timedelta(days=SKIPPED_REST_DAYS))
        look = open_looks.get(flag.pk)
        if look is None:
            _ask(flag, before, due, rules, by)
        elif due < look.due_on:
            look.due_on = due
            look.save(update_fields=["due_on"])
    _level(as_of)


def _latest_by_flag() -> dict[int, Inspection]:
    newest = Inspection.objects.values("flag").annotate(pk_=Max("pk")).values_list("pk_", flat=True)
    return {one.flag_id: one for one in Inspection.objects.filter(pk__in=list(newest))}


def _ask(
    flag: TroubleFlag, before: Inspection | None, due: dt.date, rules: InspectionRules, by: Actor
) -> None:
    look = Inspection.objects.create(
        property=flag.path.controller.property,
        flag=flag,
        number=1 if before is None else before.number + 1,
        due_on=due,
        chance=rules.look_at_chance,
        created_at=clock.now(),
    )
    _tell(look, "asked", by)


def _level(as_of: dt.datetime) -> None:
    """Give each open look its week."""
    looks = list(
        Inspection.objects.filter(state=InspectionState.OPEN).order_by("due_on", "number", "flag")
    )
    if not looks:
        return
    weeks = levelled_weeks(
        [
            Look(
                one.property_id,
                week_of(one.due_on),
                None if one.planned_week is None else week_of(one.planned_week),
            )
            for one in looks
        ],
        week_rules(as_of, [one.property_id for one in looks]),
    )
    moved = []
    for look, week in zip(looks, weeks, strict=True):
        if look.planned_week != monday_of(week):
            look.planned_week = monday_of(week)
            moved.append(look)
    Inspection.objects.bulk_update(moved, ["planned_week"], batch_size=500)


def week_rules(as_of: dt.datetime, properties: Sequence[int]) -> WeekRules:
    """The contractor's weeks: capacity less holidays, and when each property waters."""
    rules = inspection_rules()
    zone = ZoneInfo(_time_zone())
    off = {dt.date.fromisoformat(day) for day in rules.holidays}
    seasons: dict[int, list[tuple[dt.date, dt.date]]] = defaultdict(list)
    rows = Season.objects.filter(
        controller__property__in=set(properties), withdrawn_at__isnull=True
    )
    for place, first, last in rows.values_list("controller__property", "starts_on", "ends_on"):
        seasons[place].append((first, last))

    def capacity(week: int) -> int:
        days = [monday_of(week) + dt.timedelta(days=n) for n in range(_WORK_DAYS)]
        working = sum(day not in off for day in days)
        least = 1 if working else 0
        return max(rules.weekly_capacity * working // _WORK_DAYS, least)

    def is_open(place: int, week: int) -> bool:
        return not seasons[place] or any(
            _waters(seasons[place], monday_of(week) + dt.timedelta(days=n)) for n in range(7)
        )

    return WeekRules(week_of(as_of.astimezone(zone).date()), capacity, is_open)


def _waters(seasons: Sequence[tuple[dt.date, dt.date]], day: dt.date) -> bool:
    """Whether a day lies in a season; past the last one, those of its last year come again."""
    last = max(end for _, end in seasons)
    if day > last:
        year = last.year if (day.month, day.day) <= (last.month, last.day) else last.year - 1
        # 29 February has no day in most years; the day before stands for it.
        day = day.replace(year=year, day=min(day.day, 28) if day.month == 2 else day.day)
    return any(first <= day <= end for first, end in seasons)


def _time_zone() -> str:
    return str(
        Contractor.objects.values_list("time_zone", flat=True).get(pk=current_contractor_id())
    )


def week_of(day: dt.date) -> int:
    """A day's week as a whole number; weeks begin on Monday."""
    return (day.toordinal() - 1) // 7


def monday_of(week: int) -> dt.date:
    """The first day of a week."""
    return dt.date.fromordinal(week * 7 + 1)


@transaction.atomic
def inspection_done(
    *, look: Inspection, result: str, note: str = "", version: int, by: Actor
) -> Inspection:
    """Say what a look showed. It starts the clock of the next one. Raises Invalid, Stale,
    IllegalMove."""
    if result not in InspectionResult.values:
        right = f"one of {', '.join(InspectionResult.values)}"
        raise Invalid("The look does not fit.", defects=[Defect("/result", "unknown", right)])
    refuse_defects("look", line_defects("/note", note, MOST_NOTE))
    return _end(look, InspectionState.DONE, result, note, (version, by))


@transaction.atomic
def inspection_skip(*, look: Inspection, why: str, version: int, by: Actor) -> Inspection:
    """Leave a look out this time, with the reason; it is asked for again later. Raises Invalid,
    Stale, IllegalMove."""
    refuse_defects("look", name_defects("/why", why, MOST_NOTE))
    return _end(look, InspectionState.SKIPPED, "", why, (version, by))


def inspection_withdraw(*, flag: TroubleFlag, why: str, by: Actor) -> None:
    """The open look at a flag that was cleared is no longer asked for."""
    look = Inspection.objects.filter(flag=flag, state=InspectionState.OPEN).first()
    if look is not None:
        _end(look, InspectionState.WITHDRAWN, "", why, (look.version, by))


def _end(
    look: Inspection, state: InspectionState, result: str, note: str, told: tuple[int, Actor]
) -> Inspection:
    version, by = told
    held = locked_one(look)
    if held.version != version:
        raise Stale(
            f"The look is at version {held.version}, not {version}: read it again.",
            extra={"version": held.version, "state": held.state},
        )
    if held.state != InspectionState.OPEN:
        raise IllegalMove(f"The look is over: {held.state}.", extra={"legal": []})
    held.state, held.result, held.note = state, result, note
    held.ended_at, held.ended_by_name = clock.now(), by.name
    held.version += 1
    held.save()
    _tell(held, state.value, by)
    return held


def _tell(look: Inspection, what: str, by: Actor) -> None:
    change_record(
        by=by,
        action=f"inspection.{what}",
        thing=("inspection", look.public_id),
        after={"due_on": look.due_on.isoformat(), "state": look.state, "result": look.result},
    )
