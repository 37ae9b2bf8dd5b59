"""The weeks of looks: capacity less holidays, seasons, and the levelling of all open ones."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Sequence
from functools import cache
from zoneinfo import ZoneInfo

from core.models.accounts import Contractor
from core.tenancy.scope import current_contractor_id
from faults.models.trouble import Inspection, InspectionRules, InspectionState
from faults.recurrence.levelling import Look, WeekRules, levelled_weeks
from sites.models.controller import Season

_WORK_DAYS = 5


def inspections_level(*, as_of: dt.datetime, rules: InspectionRules) -> None:
    """Give each open look its week, within the caller's transaction. One for which no week within
    ten years has room has none, and stays open."""
    open_looks = Inspection.objects.filter(state=InspectionState.OPEN)
    looks = list(open_looks.order_by("due_on", "number", "path", "flag"))
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
        week_rules(as_of, [one.property_id for one in looks], rules),
    )
    moved = []
    for look, week in zip(looks, weeks, strict=True):
        monday = None if week is None else monday_of(week)
        if look.planned_week != monday:
            look.planned_week = monday
            moved.append(look)
    Inspection.objects.bulk_update(moved, ["planned_week"], batch_size=500)


def week_rules(as_of: dt.datetime, properties: Sequence[int], rules: InspectionRules) -> WeekRules:
    """The contractor's weeks: capacity less holidays, and when each property waters."""
    zone = ZoneInfo(
        Contractor.objects.values_list("time_zone", flat=True).get(pk=current_contractor_id())
    )
    off = {dt.date.fromisoformat(day) for day in rules.holidays}
    seasons: dict[int, list[tuple[dt.date, dt.date]]] = defaultdict(list)
    rows = Season.objects.filter(
        controller__property__in=set(properties), withdrawn_at__isnull=True
    )
    for place, first, last in rows.values_list("controller__property", "starts_on", "ends_on"):
        seasons[place].append((first, last))

    @cache
    def capacity(week: int) -> int:
        days = [monday_of(week) + dt.timedelta(days=n) for n in range(_WORK_DAYS)]
        working = sum(day not in off for day in days)
        least = 1 if working else 0
        return max(rules.weekly_capacity * working // _WORK_DAYS, least)

    @cache
    def is_open(place: int, week: int) -> bool:
        return not seasons[place] or any(
            _waters(seasons[place], monday_of(week) + dt.timedelta(days=n)) for n in range(7)
        )

    return WeekRules(week_of(as_of.astimezone(zone).date()), capacity, is_open)


def waits_for_season(looks: Sequence[Inspection], rules: WeekRules) -> set[int]:
    """Primary keys of looks that are planned after the week they are due in since in no week
    between, from the present one on, their property waters. No query."""
    found = set()
    for look in looks:
        if look.planned_week is None:
            continue
        since = max(rules.first_week, week_of(look.due_on))
        between = range(since, week_of(look.planned_week))
        if between and not any(rules.is_open(look.property_id, week) for week in between):
            found.add(look.pk)
    return found


def _waters(seasons: Sequence[tuple[dt.date, dt.date]], day: dt.date) -> bool:
    """Whether a day lies in a season; past the last one, those of its last year come again."""
    last = max(end for _, end in seasons)
    if day > last:
        year = last.year if (day.month, day.day) <= (last.month, last.day) else last.year - 1
        # 29 February has no day in most years; the day before stands for it.
        day = day.replace(year=year, day=min(day.day, 28) if day.month == 2 else day.day)
    return any(first <= day <= end for first, end in seasons)


def week_of(day: dt.date) -> int:
    """A day's week as a whole number; weeks begin on Monday."""
    return (day.toordinal() - 1) // 7


def monday_of(week: int) -> dt.date:
    """The first day of a week."""
    return dt.date.fromordinal(week * 7 + 1)
