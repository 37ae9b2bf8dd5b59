"""Looks at paths without a flag: asked for by the predicted chance, levelled with the others."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from dataclasses import replace

import pytest
import time_machine
from scipy import stats

from core.accounts.actor import Actor
from core.clock import as_of
from core.problems import Invalid
from faults.models import Inspection, TroubleFlag
from faults.path_look_due import AHEAD_DAYS, LEAST_NOTICE_DAYS
from faults.services.inspection_ends import inspection_done, inspection_skip
from faults.services.inspection_rules import LookRules, inspection_rules, inspection_rules_set
from faults.services.path_looks import ENDED_WORDS, FLAGGED_WORDS
from faults.services.recurrence_runs import run_search
from faults.trouble_search import PathFigures
from sites.models import WirePath
from sites.services.controllers import SeasonDays, path_end, season_set
from tests.faults.places import path_at_new_place, path_on
from tests.tracing.drives import tree_path
from tests.trouble.history import NOW, START, a_trace_on, bad_places, failed, troubled
from tests.trouble.test_nights import night, told

pytestmark = pytest.mark.slow

RULES = LookRules(weekly_capacity=3, look_at_chance=0.2, holidays=(), path_look_at_chance=0.2)


def ruled(by: Actor, rules: LookRules = RULES) -> None:
    with time_machine.travel(NOW, tick=False):
        inspection_rules_set(rules=rules, version=inspection_rules().version, by=by)


def of_paths() -> list[Inspection]:
    return list(Inspection.objects.filter(flag=None).order_by("pk").select_related("path"))


def test_nothing_is_asked_for_without_a_target(by: Actor) -> None:
    troubled(by)
    night(by, NOW)
    assert inspection_rules().path_look_at_chance is None
    assert not of_paths()
    with pytest.raises(Invalid, match="rules"):
        ruled(by, replace(RULES, path_look_at_chance=0.95))


def test_paths_past_the_target_get_one_look_each_and_flagged_ones_that_of_their_flag(
    by: Actor,
) -> None:
    paths = troubled(by)
    ruled(by)
    night(by, NOW)
    looks = of_paths()
    flagged = set(TroubleFlag.objects.values_list("path", flat=True))
    assert flagged == {paths[0].pk}
    assert {look.path_id for look in looks} == {path.pk for path in paths[1:]}
    assert {look.due_on for look in looks} == {(NOW + dt.timedelta(LEAST_NOTICE_DAYS)).date()}
    for look in looks:
        assert look.property_id == look.path.controller.property_id
        assert (look.number, look.state, look.chance) == (1, "open", 0.2)
        assert [list(place) for place in look.places] == [["segment"]]
    every = Inspection.objects.all()
    assert len(every) == len(paths) + len(TroubleFlag.objects.all()) - 1
    load = Counter(look.planned_week for look in every)
    assert None not in load
    assert max(load.values()) <= 3
    # Run again, and the night after, nothing is doubled.
    after = told()
    night(by, NOW)
    assert told() == after
    night(by, NOW + dt.timedelta(days=1))
    assert [look.pk for look in of_paths()] == [look.pk for look in looks]


def reached(figures: PathFigures, path: int, days: float) -> float:
    """The chance of a failure of a path in so many energised days: a negative binomial's."""
    n = figures.paths.index(path)
    shape = 1.0 / figures.spread
    rate = (shape + figures.failures[n]) / (shape + figures.expected[n])
    ahead = days * figures.expected[n] / figures.energised_days[n]
    own = shape + figures.failures[n]
    return float(1.0 - stats.nbinom.pmf(0, own, own / (own + rate * ahead)))


def test_a_look_starts_the_clock_anew_and_the_next_is_due_at_its_chance(by: Actor) -> None:
    paths = troubled(by)
    ruled(by)
    night(by, NOW)
    look, worn = of_paths()[:2]
    with time_machine.travel(NOW, tick=False):
        inspection_done(look=look, result="sound", version=1, by=by)
        inspection_done(look=worn, result="worn", version=1, by=by)
    due: dict[int, tuple[dt.date, dt.date, PathFigures]] = {}
    for day in range(1, 400, 7):
        at = NOW + dt.timedelta(days=day)
        night(by, at)
        figures = run_search({"as_of": at.isoformat()}).by_path
        for one in Inspection.objects.filter(number=2, flag=None):
            due.setdefault(one.path_id, (one.due_on, at.date(), figures))
        if len(due) == 2:
            break
    assert due.keys() == {look.path_id, worn.path_id}
    for path, times in ((look.path_id, 1.0), (worn.path_id, 2.0)):
        on, asked, figures = due[path]
        assert dt.timedelta(AHEAD_DAYS - 8) <= on - asked <= dt.timedelta(AHEAD_DAYS)
        ahead = (on - NOW.date()).days
        assert reached(figures, path, times * (ahead + 1.0)) >= 0.2
        assert reached(figures, path, times * (ahead - 2.0)) < 0.2
    assert len(paths) == 6


def test_a_skipped_one_rests_and_a_failure_starts_the_clock_too(by: Actor) -> None:
    troubled(by)
    ruled(by)
    night(by, NOW)
    look, other = of_paths()[:2]
    with time_machine.travel(NOW, tick=False):
        inspection_skip(look=look, why="Snow", version=1, by=by)
        inspection_skip(look=other, why="Snow", version=1, by=by)
    failed(a_trace_on(other.path, by), {"device": "D1"}, NOW + dt.timedelta(hours=1))
    night(by, NOW + dt.timedelta(days=1))
    again = Inspection.objects.get(path=look.path_id, number=2)
    assert again.due_on == (NOW + dt.timedelta(days=28)).date()
    assert not Inspection.objects.filter(path=other.path_id, number=2).exists()


def test_looks_are_withdrawn_where_a_flag_is_raised_the_path_ends_or_the_rule_goes(
    by: Actor,
) -> None:
    paths = troubled(by)
    ruled(by)
    night(by, NOW)
    places = bad_places(paths[1])
    for hour in range(12):
        at = NOW + dt.timedelta(hours=1 + hour)
        failed(a_trace_on(paths[1], by), places[hour % len(places)], at)
    with as_of(NOW + dt.timedelta(hours=2)):
        # One that was looked at for its flag is gone as well.
        for ended in WirePath.objects.filter(pk__in=(paths[0].pk, paths[2].pk)):
            path_end(path=ended, version=ended.version, by=by)
    for days in (1, 2):
        night(by, NOW + dt.timedelta(days=days))
    assert TroubleFlag.objects.filter(path=paths[1], state="raised").exists()
    open_paths = Counter(Inspection.objects.filter(state="open").values_list("path", flat=True))
    assert not {paths[0].pk, paths[2].pk} & open_paths.keys()
    notes = dict(Inspection.objects.filter(state="withdrawn").values_list("path", "note"))
    ended_notes = dict.fromkeys((paths[0].pk, paths[2].pk), ENDED_WORDS)
    assert notes == {paths[1].pk: FLAGGED_WORDS} | ended_notes
    ruled(by, replace(RULES, path_look_at_chance=None))
    assert not Inspection.objects.filter(state="open", flag=None).exists()
    there = TroubleFlag.objects.filter(path__ended_at=None)
    assert Inspection.objects.filter(state="open").count() == there.count()
    assert all(look.note for look in of_paths())


def test_capacity_holidays_seasons_and_one_visit_for_a_property(by: Actor) -> None:
    with as_of(START):
        first = path_at_new_place(by)
        controller = first.controller
        second = path_on(controller, by, tree_path(), "Path 2")
        closed = path_at_new_place(by)
    with as_of(START):
        # Waters from the middle of May on, and has no season before.
        days = [SeasonDays(dt.date(2024, 5, 13), dt.date(2026, 9, 30), "")]
        season_set(controller=controller, version=controller.version, seasons=days, by=by)
        late = [
            SeasonDays(dt.date(2024, 5, 13), dt.date(2025, 10, 31), ""),
            SeasonDays(dt.date(2026, 5, 11), dt.date(2026, 9, 30), ""),
        ]
        season_set(
            controller=closed.controller, version=closed.controller.version, seasons=late, by=by
        )
        others = [path_at_new_place(by) for _ in range(4)]
    every = [first, second, closed, *others]
    for number, path in enumerate(every):
        with as_of(START + dt.timedelta(days=100 + number)):
            failed(a_trace_on(path, by), {"splice": f"N{1 + number}"}, START + dt.timedelta(120))
    due_week = (NOW + dt.timedelta(days=LEAST_NOTICE_DAYS)).date()
    monday = due_week - dt.timedelta(days=due_week.weekday())
    week_off = [monday + dt.timedelta(days=7 + n) for n in range(5)]
    two = replace(RULES, weekly_capacity=2, holidays=[*week_off, monday + dt.timedelta(14)])
    ruled(by, two)
    night(by, NOW)
    weeks = {look.path_id: look.planned_week for look in of_paths()}
    assert weeks.keys() == {path.pk for path in every}
    assert weeks[first.pk] == weeks[second.pk]
    closed_week = weeks[closed.pk]
    assert closed_week is not None
    assert closed_week >= dt.date(2026, 5, 11)
    load = Counter(weeks.values())
    assert load[monday + dt.timedelta(days=7)] == 0
    # A day off of five leaves one of two; no week has more than two.
    assert load[monday + dt.timedelta(days=14)] <= 1
    assert max(load.values()) == 2
    assert min(week for week in weeks.values() if week) >= monday
