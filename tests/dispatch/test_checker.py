"""The checker sees what is wrong: each sabotaged plan is refused for its own reason."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from faults.dispatch.plan import Plan, Rest, Route, Stop
from faults.dispatch.problem import Locked, Problem
from faults.dispatch.solve import Effort, solve
from tests.dispatch.checker import defects
from tests.dispatch.days import crew, problem, span, visit


@pytest.fixture
def day() -> tuple[Problem, Plan]:
    oak = crew("oak", skills=frozenset({"splicing"}), parts={"coil": 2})
    visits = [
        visit("a", "north", skills=frozenset({"splicing"}), parts={"coil": 1}),
        visit("b", "far", access=(span(9, 12),)),
        visit("c", "west", 100),
    ]
    given = problem([oak], visits, locked=(Locked("a", "oak"),))
    plan = solve(given, Effort(iterations=100, rounds=60))
    assert len(plan.routes[0].stops) == 3
    assert defects(given, plan) == []
    return given, plan


def stops_changed(plan: Plan, change: Callable[[Stop], Stop]) -> Plan:
    return of_route(plan, lambda r: replace(r, stops=tuple(change(stop) for stop in r.stops)))


def of_route(plan: Plan, change: Callable[[Route], Route]) -> Plan:
    return replace(plan, routes=(change(plan.routes[0]),))


def shifted(name: str, by: int) -> Callable[[Plan], Plan]:
    def change(stop: Stop) -> Stop:
        if stop.visit != name:
            return stop
        return replace(stop, start_min=stop.start_min + by, finish_min=stop.finish_min + by)

    return lambda plan: stops_changed(plan, change)


@pytest.mark.parametrize(
    ("sabotage", "told"),
    [
        (lambda p: replace(p, left_out=("a",)), "2 times, not 1"),
        (lambda p: of_route(p, lambda r: replace(r, stops=r.stops[1:])), "0 times, not 1"),
        (lambda p: replace(p, routes=p.routes * 2), "2 times"),
        (lambda p: of_route(p, lambda r: replace(r, shift=3)), "no such shift"),
        (lambda p: of_route(p, lambda r: replace(r, start_min=0)), "begins at"),
        (lambda p: of_route(p, lambda r: replace(r, rests=())), "0 breaks, not 1"),
        (lambda p: of_route(p, lambda r: replace(r, rests=(Rest(480, 510),))), "too early"),
        (lambda p: of_route(p, lambda r: replace(r, rests=(Rest(700, 720),))), "another length"),
        (lambda p: of_route(p, lambda r: replace(r, back_min=r.back_min - 5)), "is home before"),
        (lambda p: of_route(p, lambda r: replace(r, back_min=1000)), "after 960"),
        (lambda p: of_route(p, lambda r: replace(r, drive_min=1)), "drives"),
        (shifted("a", -5), "for a drive of"),
        (shifted("b", -60), "without access"),
        (lambda p: stops_changed(p, lambda s: replace(s, finish_min=s.start_min)), "takes 0 min"),
        (lambda p: stops_changed(p, lambda s: replace(s, locked=False)), "not told to be locked"),
        (lambda p: stops_changed(p, lambda s: replace(s, started=True)), "started or not"),
        (lambda p: replace(p, figures=replace(p.figures, cost=1.0)), "cost is 1.0"),
        (lambda p: replace(p, figures=replace(p.figures, drive_min=1)), "drive_min is 1"),
    ],
)
def test_each_sabotage_is_seen(
    day: tuple[Problem, Plan], sabotage: Callable[[Plan], Plan], told: str
) -> None:
    given, plan = day
    found = defects(given, sabotage(plan))
    assert any(told in text for text in found), found


def test_needs_that_are_not_met_are_seen(day: tuple[Problem, Plan]) -> None:
    given, plan = day
    bare = replace(given, crews=(crew("oak", parts={"coil": 2}),))
    assert any("lacks a skill" in text for text in defects(bare, plan))
    bare = replace(given, crews=(crew("oak", skills=frozenset({"splicing"})),))
    assert any("of coil used" in text for text in defects(bare, plan))
    moved = replace(given, locked=(Locked("a", "oak", 1),))
    assert any("does not stay" in text for text in defects(moved, plan))


def test_the_checker_and_the_brute_force_share_no_code_with_the_engine() -> None:
    for name in ("checker", "brute"):
        module = __import__(f"tests.dispatch.{name}", fromlist=["x"])
        with open(str(module.__file__), encoding="utf-8") as file:  # noqa: PTH123
            assert "import faults" not in (text := file.read())
            assert "from faults" not in text
