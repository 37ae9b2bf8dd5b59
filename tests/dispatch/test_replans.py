"""Replans: what must change does, the rest stays, and each change tells why."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from faults.dispatch.errors import DispatchError
from faults.dispatch.plan import Plan
from faults.dispatch.problem import Crew, Locked, Minutes, Problem, Promise, Started, Visit
from faults.dispatch.replan import Change, ChangeKind, Replan, anew, replan, told_share_moved
from faults.dispatch.solve import Effort, solve
from tests.dispatch.checker import defects
from tests.dispatch.days import HOUR, crew, problem, visit
from tests.dispatch.invented import Size, invented_problem

EFFORT = Effort(iterations=200, rounds=60)


def replanned(given: Problem, told: Plan, effort: Effort = EFFORT) -> Replan:
    changed = replan(given, told, effort)
    assert defects(given, changed.plan, told) == []
    return changed


def change_of(changed: Replan, name: str) -> Change:
    return next(change for change in changed.changes if change.visit == name)


@pytest.fixture
def day() -> tuple[Problem, Plan]:
    visits = [visit("a", "north"), visit("b", "far"), visit("c", "west"), visit("d", "base")]
    given = problem([crew("oak"), crew("elm")], visits)
    return given, solve(given, EFFORT)


def test_nothing_new_changes_nothing(day: tuple[Problem, Plan]) -> None:
    given, told = day
    changed = replanned(given, told)
    assert changed.changes == ()
    assert changed.plan.routes == told.routes


def test_a_large_plan_is_left_alone_too() -> None:
    given = invented_problem(8, Size(60, 6))
    told = solve(given, Effort(iterations=0, rounds=0))
    # Without its search a replan has no reason to move anything.
    changed = replanned(given, told, Effort(rounds=0))
    assert [c for c in changed.changes if c.kind is not ChangeKind.ADDED] == []


def test_a_crew_that_is_sick_gives_its_visits_to_others_and_says_so(
    day: tuple[Problem, Plan],
) -> None:
    given, told = day
    gone = told.routes[0].crew
    names = [stop.visit for stop in told.routes[0].stops]
    crews = tuple(
        replace(one, shifts=() if one.name == gone else one.shifts) for one in given.crews
    )
    changed = replanned(replace(given, crews=crews), told)
    for name in names:
        change = change_of(changed, name)
        assert change.kind is ChangeKind.OTHER_CREW
        assert change.why == f"{gone} has no shift in the time of this plan."
    crews = tuple(one for one in given.crews if one.name != gone)
    changed = replanned(replace(given, crews=crews), told)
    assert change_of(changed, names[0]).why == f"{gone} is no longer there."


NEEDS = {"skills": frozenset({"splicing"}), "tools": frozenset({"digger"}), "people": 2}
ABLE = {"skills": frozenset({"splicing"}), "tools": frozenset({"digger"}), "people": 2}


@pytest.mark.parametrize(
    ("lost", "why"),
    [
        ({"skills": frozenset()}, "{} lacks skill splicing."),
        ({"tools": frozenset()}, "{} lacks tool digger."),
        ({"people": 1}, "{} lacks people (2 needed, 1 in the crew)."),
    ],
)
def test_a_crew_that_lost_what_a_visit_needs_does_not_keep_it(
    lost: dict[str, Any], why: str
) -> None:
    visits = [visit("a", **NEEDS), visit("b", "west")]
    given = problem([crew("oak", **ABLE), crew("elm", **ABLE)], visits)
    told = solve(given, EFFORT)
    had = told.places_of_visits()["a"][0].crew
    crews = tuple(replace(one, **lost) if one.name == had else one for one in given.crews)
    changed = replanned(replace(given, crews=crews), told)
    change = change_of(changed, "a")
    assert change.kind is ChangeKind.OTHER_CREW
    assert change.why == why.format(had)
    # Where no other crew can, it is left out and not kept by the one that cannot.
    alone: tuple[Crew, ...] = tuple(one for one in crews if one.name == had)
    changed = replanned(replace(given, crews=alone), told)
    assert change_of(changed, "a").kind is ChangeKind.LEFT_OUT


def test_a_visit_locked_elsewhere_since_it_was_told_goes_there(day: tuple[Problem, Plan]) -> None:
    given, told = day
    had = told.places_of_visits()["a"][0].crew
    other = next(one.name for one in given.crews if one.name != had)
    changed = replanned(replace(given, locked=(Locked("a", other),)), told)
    change = change_of(changed, "a")
    assert (change.kind, change.crew_after) == (ChangeKind.OTHER_CREW, other)
    assert change.why == f"The visit is locked to {other}."


def test_an_urgent_call_pushes_others_back_and_each_names_it() -> None:
    visits = [visit(f"v{n}", "north", 90) for n in range(4)]
    given = problem([crew("oak")], visits)
    told = solve(given, EFFORT)
    urgent = visit("urgent", "north", 30, stations_dry=100, promise=Promise(9 * HOUR))
    changed = replanned(replace(given, visits=(*visits, urgent)), told)
    added = change_of(changed, "urgent")
    assert added.kind is ChangeKind.ADDED
    assert added.start_after_min is not None
    assert added.start_after_min <= 9 * HOUR
    others = [change for change in changed.changes if change.visit != "urgent"]
    assert all("makes way for urgent" in change.why for change in others)


def test_a_job_that_runs_long_pushes_the_next_and_is_named() -> None:
    visits = [visit("first", "north", 60), visit("next", "far", 60)]
    given = problem([crew("oak")], visits)
    told = solve(given, EFFORT)
    first = told.routes[0].stops[0]
    long = replace(
        given.visits[[v.name for v in visits].index(first.visit)], minutes=Minutes(200, 200)
    )
    later = replace(
        given,
        now_min=9 * HOUR,
        visits=tuple(long if v.name == long.name else v for v in visits),
        started=(Started(first.visit, "oak", first.start_min),),
    )
    changed = replanned(later, told)
    (change,) = changed.changes
    assert change.kind is ChangeKind.LATER
    assert change.why == f"{first.visit} takes oak longer than was told."


def test_visits_that_are_done_or_no_longer_wanted_are_gone_without_a_move(
    day: tuple[Problem, Plan],
) -> None:
    given, told = day
    changed = replanned(replace(given, visits=given.visits[1:]), told)
    (change,) = changed.changes
    assert (change.visit, change.kind) == (given.visits[0].name, ChangeKind.GONE)
    assert changed.moved == ()


def test_a_visit_that_was_told_is_not_begun_much_earlier_by_the_same_crew() -> None:
    visits = [visit("first", "north", 120), visit("next", "north", 60)]
    given = problem([crew("oak")], visits)
    told = solve(given, EFFORT)
    later = told.routes[0].stops[1]
    assert later.start_min > 9 * HOUR
    left = replace(given, visits=tuple(v for v in visits if v.name == later.visit))
    stop = replanned(left, told).plan.routes[0].stops[0]
    assert stop.start_min == later.start_min - given.told_tolerance_min


def test_what_had_no_place_comes_in_when_there_is_room() -> None:
    visits = [visit(f"v{n}", "north", 150) for n in range(4)]
    given = problem([crew("oak")], visits)
    told = solve(given, EFFORT)
    assert told.left_out
    changed = replanned(replace(given, crews=(crew("oak"), crew("elm"))), told)
    assert change_of(changed, told.left_out[0]).why.startswith("It had been left out; elm")
    assert changed.moved == ()


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_one_call_more_moves_few_and_costs_less_than_planning_anew(seed: int) -> None:
    given = invented_problem(seed, Size(120, 12))
    told = solve(given, Effort(iterations=600, rounds=300))
    urgent = Visit("urgent", "place 7", Minutes(60, 90), stations_dry=60, promise=Promise(600))
    later = replace(given, visits=(*given.visits, urgent))
    changed = replanned(later, told, Effort(rounds=100))
    assert "urgent" in changed.plan.places_of_visits()
    assert told_share_moved(changed, told) < 0.10
    fresh = anew(later, told, solve(later, Effort(iterations=600, rounds=300)))
    assert defects(later, fresh, told) == []
    assert changed.plan.figures.cost < fresh.figures.cost


def test_a_share_of_nothing_is_refused() -> None:
    given = problem([crew("oak")], [])
    told = solve(given, EFFORT)
    with pytest.raises(DispatchError, match="no visits"):
        told_share_moved(replan(given, told, EFFORT), told)
