"""Visits under way that a plan of some days has to begin from."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from zoneinfo import ZoneInfo

from faults.crew_hours import read_hours
from faults.dispatch.problem import Shift, Started
from faults.dispatch.shifts import minute_of, shifts_of
from faults.dispatch.under_way import shifts_holding
from faults.models.dispatch import CrewCard, PlannedVisit, VisitState


def started_within(
    visits: Iterable[PlannedVisit], cards: Iterable[CrewCard], window: Sequence[dt.date]
) -> dict[str, Started]:
    """By crew, the visit that it is at: the newest that it began on one of the days, or in one of
    their shifts. No query beyond the visits' crews."""
    by_crew = {card.crew.public_id: card for card in cards}
    found: dict[str, Started] = {}
    begun = [one for one in visits if one.state == VisitState.STARTED and one.state_at is not None]
    for one in sorted(begun, key=lambda visit: (visit.state_at, visit.pk)):
        card = by_crew.get(one.crew.public_id)
        if card is None or one.state_at is None:
            continue
        minute = minute_of(one.state_at)
        day = one.state_at.astimezone(ZoneInfo(card.time_zone)).date()
        in_shift = any(s.start_min <= minute < s.stop_min for s in shifts_in(card, window))
        if day in window or in_shift:
            crew = one.crew.public_id
            found[crew] = Started(one.name, crew, minute)
    return found


def shifts_in(card: CrewCard, window: Sequence[dt.date]) -> tuple[Shift, ...]:
    """A crew's shifts of some days."""
    off = frozenset(dt.date.fromisoformat(day) for day in card.days_off)
    return shifts_of(read_hours(card.hours), window, ZoneInfo(card.time_zone), off=off)


def shifts_left(
    card: CrewCard, window: Sequence[dt.date], now_min: int, begun: Started | None
) -> tuple[Shift, ...]:
    """The shifts that are not over, and the one in which a visit under way was begun."""
    shifts = shifts_in(card, window)
    if begun is None:
        return tuple(one for one in shifts if one.stop_min > now_min)
    minute = begun.start_min
    held = shifts_holding(shifts, minute)
    return tuple(s for s in held if s.stop_min > now_min or s.start_min <= minute < s.stop_min)
