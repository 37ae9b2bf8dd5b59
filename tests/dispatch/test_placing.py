"""The cheapest order of a turn against pricing every way to put its parts together."""

from __future__ import annotations

from math import inf

import pytest

from faults.dispatch.insertion import break_places
from faults.dispatch.placing import line_of
from faults.dispatch.solve import Effort, solve
from faults.dispatch.timing import price
from faults.dispatch.turns import Ready, breaks_of, make_ready
from tests.dispatch.invented import Size, invented_problem


def every_way(ready: Ready, number: int, bare: list[int], more: int) -> float:
    """The least cost over all places of the visit and the breaks."""
    orders = ([*bare[:place], more, *bare[place:]] for place in range(len(bare) + 1))
    ways = (way for order in orders for way in break_places(order, breaks_of(ready, number)))
    return min(price(ready, number, way) for way in ways)


@pytest.mark.parametrize("seed", range(1, 7))
def test_no_way_to_put_a_visit_and_the_breaks_in_is_cheaper(seed: int) -> None:
    problem = invented_problem(seed, Size(40, 4))
    plan = solve(problem, Effort(iterations=0, rounds=0))
    ready = make_ready(problem, plan if seed % 2 else None)
    found = 0
    for route in plan.routes:
        number = next(
            n
            for n, turn in enumerate(ready.turns)
            if (problem.crews[turn.crew].name, turn.shift) == (route.crew, route.shift)
        )
        stops = [ready.number[stop.visit] for stop in route.stops if not stop.started]
        bare = stops[1::2]
        line = line_of(ready, number, bare)
        breaks = break_places(bare, breaks_of(ready, number))
        assert line.cost == pytest.approx(min(price(ready, number, way) for way in breaks))
        for more in set(range(len(ready.tasks))) - set(bare):
            sequence, cost = line.with_one_more(more)
            assert cost == pytest.approx(every_way(ready, number, bare, more), abs=1e-9)
            if cost < inf:
                found += 1
                assert price(ready, number, sequence) == cost
                assert sorted(sequence) == sorted([*bare, more, *breaks_of(ready, number)])
                assert line.with_one_more(more, most=cost)[1] == inf
    assert found > 20
