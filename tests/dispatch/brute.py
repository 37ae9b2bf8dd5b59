"""The least cost of a small problem by trying everything, apart from the product's own code.

Every split of the visits over the shifts, every order, every place of a single break. One crew
has one shift with at most one break; nothing is started, told or locked.
"""

from __future__ import annotations

from itertools import combinations, permutations
from math import inf
from typing import Any

from tests.dispatch.checker import _kept_free


def least_cost(problem: Any) -> float:
    """The cost of the best plan."""
    names = [visit.name for visit in problem.visits]
    everything = frozenset(names)
    subsets = [frozenset(c) for k in range(len(names) + 1) for c in combinations(names, k)]
    best = {frozenset(): 0.0}
    for crew in problem.crews:
        alone = {subset: _least_of_crew(problem, crew, subset) for subset in subsets}
        now: dict[frozenset[str], float] = {}
        for done, cost in best.items():
            for subset, more in alone.items():
                if not subset & done and more < inf:
                    both = done | subset
                    now[both] = min(now.get(both, inf), cost + more)
        best = now
    return min(cost + _left_out_cost(problem, everything - done) for done, cost in best.items())


def _left_out_cost(problem: Any, names: frozenset[str]) -> float:
    cost = 0.0
    for visit in problem.visits:
        if visit.name in names:
            cost += visit.value + _waiting_cost(problem, visit, problem.until_min)
            cost += _late_cost(problem, visit, problem.until_min)
    return cost


def _waiting_cost(problem: Any, visit: Any, done: int) -> float:
    hours = (done - problem.now_min) / 60.0
    return float(problem.weights.dry_station_hour * visit.stations_dry * hours)


def _late_cost(problem: Any, visit: Any, start: int) -> float:
    if visit.promise is None or start <= visit.promise.by_min:
        return 0.0
    late = (start - visit.promise.by_min) / 60.0
    return float(problem.weights.broken_promise + problem.weights.hour_late * late)


def _least_of_crew(problem: Any, crew: Any, subset: frozenset[str]) -> float:
    if not subset:
        return 0.0
    visits = [visit for visit in problem.visits if visit.name in subset]
    for visit in visits:
        if not (visit.skills <= crew.skills and visit.tools <= crew.tools):
            return inf
        if visit.people > crew.people:
            return inf
    for part in {part for visit in visits for part in visit.parts}:
        if sum(visit.parts.get(part, 0) for visit in visits) > crew.parts.get(part, 0):
            return inf
    gaps = range(len(visits) + 1) if crew.shifts[0].breaks else [-1]
    return min(
        _cost_of_order(problem, crew, order, gap) for order in permutations(visits) for gap in gaps
    )


def _cost_of_order(problem: Any, crew: Any, order: Any, gap: int) -> float:
    shift, minutes = crew.shifts[0], problem.travel.minutes
    number = problem.travel.names.index
    rest = shift.breaks[0] if shift.breaks else None
    clock, place, cost = max(shift.start_min, problem.now_min), crew.base, 0.0
    for position, visit in enumerate(order):
        leg = int(minutes[number(place), number(visit.place)])
        arrival = clock + leg
        if position == gap:
            if max(clock, rest.earliest_min) > rest.latest_min:
                return inf
            arrival = max(arrival, rest.earliest_min) + rest.minutes
        length = _kept_free(problem, visit)
        start = _first_start(problem, visit, arrival, length)
        if start is None:
            return inf
        clock, place = start + length, visit.place
        cost += leg * problem.weights.drive_minute
        cost += _waiting_cost(problem, visit, clock) + _late_cost(problem, visit, start)
    leg = int(minutes[number(place), number(crew.base)])
    back = clock + leg
    if gap == len(order) and back > rest.latest_min:
        if max(clock, rest.earliest_min) > rest.latest_min:
            return inf
        back += rest.minutes
    out = back - max(shift.start_min, problem.now_min)
    cost += leg * problem.weights.drive_minute + out * problem.weights.crew_minute
    return inf if back > shift.stop_min else cost


def _first_start(problem: Any, visit: Any, arrival: int, length: int) -> int | None:
    spans = [(s.start_min, s.stop_min) for s in visit.access] or [
        (problem.now_min, problem.until_min)
    ]
    for minute in range(arrival, problem.until_min - length + 1):
        if visit.earliest_min is not None and minute < visit.earliest_min:
            continue
        if visit.promise and (visit.promise.from_min or 0) > minute:
            continue
        if any(low <= minute and minute + length <= high for low, high in spans):
            return minute
    return None
