"""Five simulated years of looks: none lost, none twice, no week over its capacity."""

from __future__ import annotations

import datetime as dt
from collections import Counter

import pytest

from benchmarks.inspection_years import STRETCHES, five_years, is_open, room, years_svg
from benchmarks.looks_in_rows import FIRST_MONDAY, OFF_WEEKS, Asked, LookYears
from core.accounts.actor import Actor
from faults.models import Inspection


@pytest.mark.slow
@pytest.mark.parametrize("seed", [4, 5])
def test_five_years_lose_no_look_double_none_and_keep_the_capacity(seed: int) -> None:
    years = five_years(seed)
    ended = years.done.keys() | years.skipped.keys()
    assert len(years.done) > 900
    assert len(years.skipped) > 20
    assert years.twice == 0
    assert not years.done.keys() & years.skipped.keys()
    assert ended | years.left == years.due.keys()
    assert not ended & years.left
    assert len(years.left) == STRETCHES
    newest = Counter(stretch for stretch, _ in years.due)
    assert all((stretch, count) in years.left for stretch, count in newest.items())
    assert years.worst_planned <= 0
    assert years.in_closed_weeks == 0
    for week, count in Counter([*years.done.values(), *years.skipped.values()]).items():
        assert count <= room(week)
        assert is_open(0, week)
    assert years_svg(years).count("<rect") > 100


@pytest.mark.slow
def test_a_year_through_rows_loses_no_look_doubles_none_and_keeps_the_capacity(by: Actor) -> None:
    """The five years are in the benchmarks, ``recurrence-looks``."""
    asked = Asked(paths=10, weeks=30, capacity=1, target=0.08, seed=9)
    years = LookYears(asked, by)
    told = years.run()
    assert sum(told.wrong.values()) == 0, told.wrong
    assert len(told.wrong) > 12
    assert len(told.done) > 10
    assert told.skipped
    assert told.open
    assert told.put_off
    assert told.paths_without_look
    for week, count in Counter([*told.done.values(), *told.skipped.values()]).items():
        assert count <= years.room(FIRST_MONDAY + dt.timedelta(weeks=week))
    # What is looked at for is found where it is.
    end = FIRST_MONDAY + dt.timedelta(weeks=asked.weeks)
    at = dt.datetime.combine(end, dt.time(6), dt.UTC)
    lost = Inspection.objects.filter(state="open", flag=None).exclude(property__in=years.seasonal)[
        0
    ]
    week_off = FIRST_MONDAY + dt.timedelta(weeks=52 + OFF_WEEKS[0])
    Inspection.objects.filter(pk=lost.pk).update(planned_week=week_off)
    years.check_plan(end)
    assert told.wrong["over capacity"] == 1
    lost.delete()
    assert years.forgotten(at + dt.timedelta(weeks=2)) >= 1
    years.check_end(at)
    assert told.wrong["asked and no row"] == 1
