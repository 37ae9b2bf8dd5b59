"""Five years of follow-up looks: levelled week by week, some skipped or put off; and their plot.

Run as ``python -m benchmarks.inspection_years FILE.svg``.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from benchmarks.looks_drawing import load_svg
from faults.recurrence.levelling import Look, WeekRules, levelled_weeks

WEEKS, PROPERTIES, STRETCHES, CAPACITY = 260, 40, 160, 8
SEASON = range(9, 45)
"""Weeks of a year in which paths water."""

HOLIDAY_WEEKS = frozenset({17, 33})
SKIPPED, PUT_OFF, REST_WEEKS = 0.06, 0.15, 4


@dataclass
class Years:
    """What became of each look: ``done`` and ``skipped`` by (stretch, number), with the week;
    ``due``: the week in which each became due; ``left``: those still open."""

    due: dict[tuple[int, int], int] = field(default_factory=dict)
    done: dict[tuple[int, int], int] = field(default_factory=dict)
    skipped: dict[tuple[int, int], int] = field(default_factory=dict)
    left: set[tuple[int, int]] = field(default_factory=set)
    worst_planned: int = 0
    in_closed_weeks: int = 0
    twice: int = 0


def room(week: int) -> int:
    """Looks of a week."""
    return 0 if week % 52 in HOLIDAY_WEEKS else CAPACITY


def is_open(_place: int, week: int) -> bool:
    """Whether properties water."""
    return week % 52 in SEASON


def five_years(seed: int = 4) -> Years:
    """Each week all open looks are planned anew; this week's are done, skipped or put off."""
    rng = np.random.default_rng(seed)
    place = rng.integers(0, PROPERTIES, STRETCHES)
    every = rng.integers(10, 60, STRETCHES)
    years = Years()
    open_looks: dict[tuple[int, int], Look] = {}
    for stretch in range(STRETCHES):
        # Many fall due at once, as after the first run.
        due = int(rng.integers(0, 12))
        open_looks[stretch, 1] = Look(int(place[stretch]), due)
        years.due[stretch, 1] = due
    for week in range(WEEKS):
        keys = sorted(open_looks)
        weeks = levelled_weeks([open_looks[key] for key in keys], WeekRules(week, room, is_open))
        load = Counter(weeks)
        years.worst_planned = max(years.worst_planned, *(load[w] - room(w) for w in load))
        for key, planned in zip(keys, weeks, strict=True):
            open_looks[key] = replace(open_looks[key], planned=planned)
            if planned != week:
                continue
            years.in_closed_weeks += not is_open(0, week)
            luck = rng.uniform()
            if luck < PUT_OFF:
                continue
            ended = years.skipped if luck < PUT_OFF + SKIPPED else years.done
            years.twice += key in years.done or key in years.skipped
            ended[key] = week
            del open_looks[key]
            stretch, number = key
            wait = REST_WEEKS if ended is years.skipped else int(every[stretch])
            open_looks[stretch, number + 1] = Look(int(place[stretch]), week + wait)
            years.due[stretch, number + 1] = week + wait
    years.left = set(open_looks)
    return years


def years_svg(years: Years) -> str:
    """Looks a week as they fall due, and as they were done or skipped."""
    due = Counter(week for key, week in years.due.items() if key not in years.left)
    after = Counter([*years.done.values(), *years.skipped.values()])
    return load_svg(due, after, WEEKS, CAPACITY)


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(years_svg(five_years()), encoding="utf-8")
