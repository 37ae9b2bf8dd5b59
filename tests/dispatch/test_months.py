"""A sample of the months of calls, and the simulation's own rules."""

from __future__ import annotations

import pytest

from benchmarks.bench_dispatch import day_section, instance_section, month_section
from benchmarks.dispatch_month import DAY, Month, Outcome, Simple, Way, invented_month, work_off
from benchmarks.dispatch_planned import Planned
from faults.dispatch.solve import Effort


@pytest.fixture(scope="module")
def month() -> Month:
    return invented_month(5, days=6, calls_a_day=33.0)


@pytest.fixture(scope="module")
def by_plan(month: Month) -> tuple[Planned, Outcome]:
    way = Planned(Effort(iterations=0, rounds=40))
    return way, work_off(month, way)


def test_every_call_is_counted_and_the_same_seed_gives_the_same_month(month: Month) -> None:
    assert month.calls == invented_month(5, days=6, calls_a_day=33.0).calls
    outcome = work_off(month, Simple(oldest_first=False))
    assert outcome == work_off(month, Simple(oldest_first=False))
    assert outcome.promises == len(month.calls)
    assert outcome.done <= len(month.calls)


def test_nobody_is_sent_who_lacks_a_skill_or_before_the_call_came(month: Month) -> None:
    class Watched(Simple):
        def act(self, now, *, news):  # type: ignore[no-untyped-def]
            again = super().act(now, news=news)
            for state in now.states:
                if state.at is not None:
                    assert state.at.visit.skills <= state.crew.skills
                    assert state.at.came_min <= now.started[state.at.visit.name]
            return again

    assert work_off(month, Watched(oldest_first=True)).done > 0


@pytest.mark.slow
@pytest.mark.parametrize("oldest_first", [False, True], ids=["nearest", "oldest"])
def test_a_week_by_plan_leaves_less_dry_and_drives_less(
    month: Month, by_plan: tuple[Planned, Outcome], oldest_first: bool
) -> None:
    way, planned = by_plan
    simple = work_off(month, Simple(oldest_first=oldest_first))
    assert way.defects == []
    assert way.plans > len(month.calls)
    assert planned.kept >= simple.kept
    assert planned.dry_station_hours < simple.dry_station_hours
    assert planned.drive_min < simple.drive_min


def test_a_way_that_sends_nobody_keeps_no_promise_and_all_stays_dry(month: Month) -> None:
    class Idle(Way):
        def act(self, now, *, news):  # type: ignore[no-untyped-def]
            return None

    outcome = work_off(month, Idle())
    waiting = sum(
        call.visit.stations_dry * (month.days * DAY - call.came_min) / 60.0 for call in month.calls
    )
    assert (outcome.kept, outcome.done, outcome.drive_min) == (0, 0, 0)
    assert outcome.dry_station_hours == pytest.approx(waiting, abs=0.06)


def test_the_sections_tell_a_limit_that_is_not_kept() -> None:
    row = {
        "instance": "C101",
        "customers": 100,
        "length": 900.0,
        "over": 900.0 / 827.3 - 1.0,
        "left_out": 0,
        "defects": [],
        "cpu_s": 9.8,
    }
    assert "NOT KEPT" in instance_section([row])
    assert "NOT KEPT" not in instance_section([{**row, "length": 827.3, "over": 0.0}])
    day = {
        "key": "01",
        "planned": 200,
        "greedy": 3.0,
        "cost": 2.0,
        "plan_cpu_s": 10.0,
        "replan_cpu_s": 1.0,
        "moved": 0.2,
        "urgent_in": True,
        "replan_cost": 2.0,
        "replan_without_moves": 2.0,
        "anew_cost": 3.0,
        "anew_without_moves": 2.0,
        "anew_moved": 0.9,
        "defects": [],
    }
    assert "NOT KEPT" in day_section([day])
    assert "NOT KEPT" not in day_section([{**day, "moved": 0.05}])
    figures = {
        "promises": 10,
        "kept": 9,
        "dry_station_hours": 5.0,
        "drive_min": 7,
        "overtime_min": 1,
    }
    worse = {**figures, "kept": 7}
    months = [
        {
            "key": str(n),
            "plan": figures,
            "nearest": worse,
            "oldest": worse,
            "plans": 1,
            "defects": [],
        }
        for n in range(2)
    ]
    assert "| nearest free crew | promises kept | 7.0 | 9.0 | 28.6 % | 2.0 |" in month_section(
        months
    )
