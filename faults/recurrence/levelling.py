"""Looks spread over weeks: what is due first goes first, no week over its capacity, none lost.

Weeks are whole numbers, Monday to Sunday, on one calendar.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

_LONGEST = 520
"""Weeks past the first one due in which room is looked for."""


@dataclass(frozen=True, slots=True)
class Look:
    """A look at a property due in a week; ``planned``: the week it was planned for before."""

    property: int
    due_week: int
    planned: int | None = None


@dataclass(frozen=True, slots=True)
class WeekRules:
    """``first_week``: none is planned before it. ``capacity``: looks of a week. ``is_open``:
    whether a property can be looked at in a week, as it waters then. ``together_weeks``: looks of
    one property due within so many weeks of the first go together."""

    first_week: int
    capacity: Callable[[int], int]
    is_open: Callable[[int, int], bool]
    together_weeks: int = 4


def levelled_weeks(looks: Sequence[Look], rules: WeekRules) -> tuple[int | None, ...]:
    """The week of each look, never before it is due unless it goes along with another of its
    property.

    A look keeps the week it was planned for as long as that is still to come, open and has room;
    so a plan made anew moves little. None: no week has room within ten years of when it is due.
    O(looks × weeks until there is room).
    """
    used: dict[int, int] = {}
    weeks: dict[int, int | None] = {}
    rest = []
    order = sorted(range(len(looks)), key=lambda n: (looks[n].due_week, looks[n].property, n))
    for number in order:
        look = looks[number]
        week = look.planned
        if week is not None and week >= rules.first_week and _has_room(look, week, 1, used, rules):
            weeks[number] = week
            used[week] = used.get(week, 0) + 1
        else:
            rest.append(number)
    for bunch in _bunches(looks, rest, rules):
        left = bunch
        while left:
            found = _week_for(looks[left[0]], len(left), used, rules)
            week, size = found or (None, len(left))
            for number in left[:size]:
                weeks[number] = week
            if week is not None:
                used[week] = used.get(week, 0) + size
            left = left[size:]
    return tuple(weeks[number] for number in range(len(looks)))


def _bunches(looks: Sequence[Look], order: Sequence[int], rules: WeekRules) -> list[list[int]]:
    """Looks of one property that go together, earliest due first."""
    bunches: list[list[int]] = []
    latest: dict[int, list[int]] = {}
    for number in order:
        look = looks[number]
        bunch = latest.get(look.property)
        if bunch and look.due_week - looks[bunch[0]].due_week <= rules.together_weeks:
            bunch.append(number)
        else:
            latest[look.property] = [number]
            bunches.append(latest[look.property])
    return bunches


def _week_for(
    look: Look, size: int, used: dict[int, int], rules: WeekRules
) -> tuple[int, int] | None:
    """The first week with room for all of a bunch; for a bunch larger than any week, the first
    with room for some."""
    first = max(look.due_week, rules.first_week)
    for week in range(first, first + _LONGEST):
        room = rules.capacity(week) - used.get(week, 0)
        fits = room >= size or (room > 0 and used.get(week, 0) == 0)
        if fits and rules.is_open(look.property, week):
            return week, min(room, size)
    return None


def _has_room(look: Look, week: int, size: int, used: dict[int, int], rules: WeekRules) -> bool:
    room = rules.capacity(week) - used.get(week, 0)
    return room >= size and rules.is_open(look.property, week)
