"""Why a visit is left out, crew by crew, and why a crew has it."""

from __future__ import annotations

from math import inf
from typing import Any

import pytest

from faults.dispatch.errors import DispatchError
from faults.dispatch.insertion import Sequences, break_places
from faults.dispatch.problem import Locked, Problem, Shift, Started
from faults.dispatch.reasons import LeftOut, Obstacle, reasons_left_out, sequences_of
from faults.dispatch.solve import Effort, solve
from faults.dispatch.timing import price
from faults.dispatch.turns import breaks_of
from faults.dispatch.why import why_this_crew
from tests.dispatch.checker import defects
from tests.dispatch.days import HOUR, crew, problem, span, visit
from tests.dispatch.invented import Size, invented_problem

EFFORT = Effort(iterations=200, rounds=60)


def left_out(given: Problem) -> LeftOut:
    plan = solve(given, EFFORT)
    assert defects(given, plan) == []
    (reason,) = reasons_left_out(given, plan)
    return reason


SHORT = (Shift(8 * HOUR, 9 * HOUR),)


@pytest.mark.parametrize(
    ("has", "call", "obstacle", "told"),
    [
        ({"shifts": ()}, {}, Obstacle.SHIFT, "no shift"),
        ({}, {"skills": frozenset({"mains"})}, Obstacle.SKILL, "oak with skill mains"),
        ({}, {"tools": frozenset({"bridge"})}, Obstacle.TOOL, "oak with tool bridge"),
        ({"parts": {"coil": 1}}, {"parts": {"coil": 3}}, Obstacle.PART, "3 needed, 1 aboard"),
        ({}, {"people": 2}, Obstacle.PEOPLE, "2 needed, 1 in the crew"),
        ({}, {"access": (span(2, 5),)}, Obstacle.WINDOW, "access at another time"),
        ({}, {"access": (span(9, 9.5),)}, Obstacle.WINDOW, "access at another time"),
        ({}, {"access": (span(17, 19),)}, Obstacle.SHIFT, "min more in the shift of oak"),
        ({"shifts": SHORT}, {"minutes": 45.0}, Obstacle.LONG, "5 min more in the shift of oak"),
        ({}, {"minutes": 700.0}, Obstacle.LONG, "work in shorter parts"),
        (
            {"shifts": (Shift(8 * HOUR, 8 * HOUR + 45),)},
            {"place": "far", "minutes": 10.0},
            Obstacle.DISTANCE,
            "5 min more in the shift of oak",
        ),
    ],
)
def test_what_no_crew_can_do_says_what_it_would_take(
    has: dict[str, Any], call: dict[str, Any], obstacle: Obstacle, told: str
) -> None:
    reason = left_out(problem([crew("oak", **has)], [visit("call", **call)]))
    assert not reason.possible
    assert [one.obstacle for one in reason.by_crew] == [obstacle]
    assert told in reason.text + reason.would_take


def test_the_crew_that_lacks_least_is_named_first() -> None:
    crews = [crew("oak"), crew("elm", skills=frozenset({"mains"}))]
    call = visit("call", skills=frozenset({"mains"}), tools=frozenset({"bridge"}))
    reason = left_out(problem(crews, [call]))
    assert reason.would_take == "elm with tool bridge"
    assert "oak lacks skill mains, tool bridge." in [one.text for one in reason.by_crew]


def test_what_it_would_take_is_enough() -> None:
    """Minutes told to lack are enough when given, and one less is not."""
    call = visit("call", "far", access=(span(15, 18),), minutes=90)
    given = problem([crew("oak")], [call])
    lacking = left_out(given).by_crew[0].lacking_min
    assert lacking > 0
    for more, planned in ((lacking - 1, 0), (lacking, 1)):
        longer = (Shift(8 * HOUR, 16 * HOUR + more, given.crews[0].shifts[0].breaks),)
        plan = solve(problem([crew("oak", shifts=longer)], [call]), EFFORT)
        assert plan.figures.visits_planned == planned


def test_a_full_day_and_a_visit_that_does_not_pay_are_told_apart_from_impossible() -> None:
    full = left_out(problem([crew("oak")], [visit(f"v{n}", minutes=150) for n in range(3)]))
    assert full.possible
    assert full.by_crew[0].obstacle is Obstacle.BUSY
    assert "no room" in full.text
    dear = left_out(problem([crew("oak")], [visit("check", "far", value=5.0)]))
    assert dear.possible
    assert "as much as 42 min of driving by it, and this visit counts for 5." in dear.text
    assert dear.by_crew[0].added_cost == pytest.approx(42.0)


def test_a_lock_keeps_the_others_out_and_a_lock_in_the_past_is_told() -> None:
    locked = (Locked("call", "oak"),)
    crews = [crew("oak", shifts=()), crew("elm")]
    reason = left_out(problem(crews, [visit("call")], locked=locked))
    assert reason.by_crew[1].text == "The visit is locked to oak."
    late = (Locked("call", "oak", 60),)
    reason = left_out(problem([crew("oak")], [visit("call")], locked=late))
    assert reason.by_crew[0].text == "It is locked to a start that is over."


def test_without_crews_a_crew_is_what_it_would_take() -> None:
    assert left_out(problem([], [visit("call")])).would_take == "a crew"


def test_why_a_crew_has_a_visit() -> None:
    crews = [crew("oak"), crew("elm", base="far"), crew("ash", shifts=())]
    given = problem(crews, [visit("call", "far")])
    why = why_this_crew(given, solve(given, EFFORT), "call")
    assert why.crew == "elm"
    assert why.next_best is not None
    assert (why.next_best.crew, why.next_best.added_drive_min) == ("oak", 40)
    assert why.next_best.start_min == 8 * HOUR + 20
    assert why.next_best.added_cost == pytest.approx(40.0 + 0.02 * 40)
    assert [one.obstacle for one in why.cannot] == [Obstacle.SHIFT]
    assert "oak, the next best, 40 min more" in why.text
    assert "and would come 20 min later" in why.text
    assert "worse by as much as 41 min of driving" in why.text


@pytest.mark.parametrize(
    ("crews", "changes", "told"),
    [
        ([crew("oak"), crew("elm", shifts=())], {}, "oak alone can do it; it drives 20 min more"),
        ([crew("oak")], {"locked": (Locked("call", "oak"),)}, "The visit is locked to oak."),
        (
            [crew("oak")],
            {"started": (Started("call", "oak", 8 * HOUR),), "now_min": 9 * HOUR},
            "oak is there already.",
        ),
    ],
)
def test_why_a_crew_has_a_visit_that_no_other_could_have(
    crews: list[Any], changes: dict[str, Any], told: str
) -> None:
    given = problem(crews, [visit("call")], **changes)
    assert told in why_this_crew(given, solve(given, EFFORT), "call").text


def test_a_visit_in_no_route_has_no_crew_to_explain() -> None:
    given = problem([], [visit("call")])
    with pytest.raises(DispatchError, match="in no route"):
        why_this_crew(given, solve(given, EFFORT), "call")


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_every_visit_left_out_of_an_invented_day_is_told_why(seed: int) -> None:
    given = invented_problem(seed, Size(50, 5))
    plan = solve(given, EFFORT)
    reasons = reasons_left_out(given, plan)
    assert [reason.visit for reason in reasons] == list(plan.left_out)
    assert all(len(reason.by_crew) == len(given.crews) for reason in reasons)
    assert all(reason.text and reason.would_take for reason in reasons)
    sequences = sequences_of(given, plan)
    for name in plan.places_of_visits():
        why = why_this_crew(given, plan, name, sequences)
        assert (why.next_best is None) == (" alone " in why.text)
        assert len(why.cannot) + (why.next_best is not None) < len(given.crews)
        added = why.next_best.added_cost if why.next_best else inf
        assert added == pytest.approx(added_elsewhere(sequences, name), abs=1e-3)


def added_elsewhere(sequences: Sequences, name: str) -> float:
    """What the cheapest place with another crew adds, every place and break tried."""
    ready = sequences.ready
    task = ready.number[name]
    here = next(number for number, line in enumerate(sequences.of) if task in line)

    def least(number: int, orders: list[list[int]]) -> float:
        ways = (way for order in orders for way in break_places(order, breaks_of(ready, number)))
        return min(price(ready, number, way) for way in ways) - sequences.cost[number]

    without = [item for item in sequences.of[here] if item >= 0 and item != task]
    added = inf
    for number in ready.tasks[task].turns:
        if ready.turns[number].crew != ready.turns[here].crew:
            bare = [item for item in sequences.of[number] if item >= 0]
            orders = [[*bare[:place], task, *bare[place:]] for place in range(len(bare) + 1)]
            added = min(added, least(number, orders))
    return added + least(here, [without])
