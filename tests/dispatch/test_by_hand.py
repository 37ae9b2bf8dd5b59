"""Moves by hand: kept where they can be, refused with why, nothing else reordered."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from faults.dispatch.by_hand import HandMove, Moved, moved_by_hand
from faults.dispatch.differences import compared
from faults.dispatch.errors import MoveRefusedError
from faults.dispatch.plan import Figures, Plan
from faults.dispatch.problem import Locked, Problem, Promise, Started
from faults.dispatch.replan import ChangeKind
from faults.dispatch.solve import Effort, solve
from tests.dispatch.checker import defects
from tests.dispatch.days import HOUR, crew, problem, span, visit
from tests.dispatch.invented import Size, invented_problem


def orders(plan: Plan) -> dict[tuple[str, int], list[str]]:
    return {(r.crew, r.shift): [stop.visit for stop in r.stops] for r in plan.routes if r.stops}


@pytest.fixture
def day() -> tuple[Problem, Plan]:
    visits = [visit("a", "north"), visit("b", "far"), visit("c", "west"), visit("d", "base")]
    given = problem([crew("oak"), crew("elm", skills=frozenset({"dig"}))], visits)
    return given, solve(given, Effort(iterations=0, rounds=60))


def test_a_visit_goes_where_it_is_put(day: tuple[Problem, Plan]) -> None:
    given, plan = day
    first = moved_by_hand(given, plan, HandMove("a", "elm", after="")).plan
    assert orders(first)["elm", 0][0] == "a"
    second = moved_by_hand(given, first, HandMove("c", "elm", after="a")).plan
    assert orders(second)["elm", 0][:2] == ["a", "c"]
    assert defects(given, second) == []


def test_the_cheapest_place_is_never_dearer_than_a_named_one(day: tuple[Problem, Plan]) -> None:
    given, plan = day
    cheapest = moved_by_hand(given, plan, HandMove("b", "elm")).plan
    for after in ("", *orders(plan).get(("elm", 0), [])):
        if after != "b":
            named = moved_by_hand(given, plan, HandMove("b", "elm", after=after)).plan
            assert cheapest.figures.cost <= named.figures.cost + 1e-6


def test_taken_out_it_is_left_out_and_the_rest_closes_up(day: tuple[Problem, Plan]) -> None:
    given, plan = day
    moved = moved_by_hand(given, plan, HandMove("a", ""))
    assert moved.plan.left_out == ("a",)
    assert moved.stop is None
    back = moved_by_hand(given, moved.plan, HandMove("a", "oak"))
    assert back.stop is not None
    assert back.plan.left_out == ()


def moved_or_none(given: Problem, plan: Plan, move: HandMove) -> Moved | None:
    try:
        return moved_by_hand(given, plan, move)
    except MoveRefusedError:
        return None


def test_every_move_of_an_invented_day_keeps_all_rules_or_is_refused() -> None:
    given = invented_problem(5, Size(24, 4))
    plan = solve(given, Effort(iterations=0, rounds=20))
    kept = refused = 0
    for name in sorted(plan.places_of_visits()):
        for one in given.crews:
            moved = moved_or_none(given, plan, HandMove(name, one.name))
            if moved is None:
                refused += 1
                continue
            kept += 1
            assert defects(given, moved.plan) == []
            without = {key: [n for n in row if n != name] for key, row in orders(plan).items()}
            after = {key: [n for n in row if n != name] for key, row in orders(moved.plan).items()}
            assert {k: v for k, v in without.items() if v} == {k: v for k, v in after.items() if v}
            touched = {plan.places_of_visits()[name][0].crew, one.name}
            told = {name: route.crew for name, (route, _) in plan.places_of_visits().items()}
            assert {told[other.visit] for other in moved.shifted} <= touched
    assert kept > 20
    assert refused > 5


def test_refusals_say_what_keeps_it() -> None:
    far = [visit(f"v{n}", "far", 100) for n in range(4)]
    wet = visit("wet", "north", 60, skills=frozenset({"dig"}))
    early = visit("early", "north", 60, access=(span(8, 10),))
    given = problem(
        [crew("oak", parts={"splice kit": 1}), crew("elm", skills=frozenset({"dig"}))],
        [*far, wet, early, visit("kit", "west", 30, parts={"splice kit": 1})],
        locked=(Locked("v3", "oak"),),
        started=(Started("v0", "oak", 8 * HOUR),),
        now_min=8 * HOUR,
    )
    plan = Plan((), tuple(v.name for v in given.visits if v.name != "v0"), _nothing(), "none")

    def why(move: HandMove, so_far: Plan = plan) -> str:
        with pytest.raises(MoveRefusedError) as refused:
            moved_by_hand(given, so_far, move)
        return str(refused.value)

    assert why(HandMove("v0", "elm")) == "v0 has begun already."
    assert why(HandMove("nobody", "elm")) == "nobody is not in this plan."
    assert why(HandMove("v1", "ash")) == "ash is not planned with."
    assert why(HandMove("wet", "oak")) == "oak lacks skill dig."
    assert why(HandMove("v3", "elm")) == "The visit is locked to oak."
    assert why(HandMove("v3", "")) == "v3 is locked to its crew."
    assert why(HandMove("v1", "elm", after="v2")) == "v2 is not in the route of elm."
    assert why(HandMove("v1", "elm", shift=4)) == "elm has no such shift left."
    full = plan
    for name in ("v1", "v2", "v3"):
        full = moved_by_hand(given, full, HandMove(name, "oak")).plan
    assert why(HandMove("kit", "oak"), full).startswith("oak would be home ")
    digging = moved_by_hand(given, plan, HandMove("wet", "elm")).plan
    late = why(HandMove("early", "elm", after="wet"), digging)
    # From 8:00, ten minutes to the north and an hour there; early has to begin by 9:00.
    assert late == "elm would be 10 min too late to begin early."


def _nothing() -> Figures:
    return Figures(0, 0, 0, 0, 0.0, 0, 0, 0, 0, 0, 0.0)


def test_a_broken_promise_is_in_the_figures(day: tuple[Problem, Plan]) -> None:
    given, plan = day
    visits = tuple(
        replace(one, promise=Promise(9 * HOUR)) if one.name == "a" else one for one in given.visits
    )
    given = replace(given, visits=visits)
    plan = solve(given, Effort(iterations=0, rounds=60))
    last = next(row[-1] for row in orders(plan).values() if row[-1] != "a")
    moved = moved_by_hand(given, plan, HandMove("a", _crew_of(plan, last), after=last))
    broken = {one.name: one.change for one in moved.figures}["promises_broken"]
    assert broken == 1


def _crew_of(plan: Plan, name: str) -> str:
    return plan.places_of_visits()[name][0].crew


def test_two_plans_side_by_side(day: tuple[Problem, Plan]) -> None:
    given, plan = day
    same = compared(plan, plan)
    assert same.others == ()
    assert same.alike == 4
    crew_before = _crew_of(plan, "a")
    other = "elm" if crew_before == "oak" else "oak"
    moved = moved_by_hand(given, plan, HandMove("a", other, after=""))
    found = compared(plan, moved.plan)
    assert {one.visit: one.kind for one in found.others}["a"] is ChangeKind.OTHER_CREW
    assert {one.visit for one in found.others} == {"a", *(s.visit for s in moved.shifted)}
    out = moved_by_hand(given, plan, HandMove("a", "")).plan
    assert {o.visit: o.kind for o in compared(plan, out).others}["a"] is ChangeKind.LEFT_OUT
    assert {o.visit: o.kind for o in compared(out, plan).others}["a"] is ChangeKind.ADDED
    gone = replace(out, left_out=())
    assert {o.visit: o.kind for o in compared(plan, gone).others}["a"] is ChangeKind.GONE
    for before, after in pairwise([s.start_min for s in moved.plan.routes[0].stops]):
        assert before < after
