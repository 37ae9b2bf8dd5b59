"""How likely a plan's times hold, by drawing the minutes of its work again and again.

Minutes of each visit are drawn log-normal by its P50 and P90, each apart from the others. Crews
wait for access and for promised-from times, take the breaks that the plan has, and go on in its
order however late they get.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from faults.dispatch.errors import DispatchError
from faults.dispatch.plan import Plan, Route
from faults.dispatch.problem import Minutes, Problem, Visit

Z90 = 1.2815515655446004


@dataclass(frozen=True, slots=True)
class StopRisk:
    """When the work is likely to start, and the chance that the promise is kept (none: 1)."""

    visit: str
    start_p50_min: float
    start_p90_min: float
    chance_kept: float


@dataclass(frozen=True, slots=True)
class RouteRisk:
    """A route's stops, and the chance that its crew is home by the end of the shift."""

    crew: str
    shift: int
    stops: tuple[StopRisk, ...]
    chance_home_in_time: float


def risks_of(
    problem: Problem, plan: Plan, *, draws: int = 500, seed: int = 1
) -> tuple[RouteRisk, ...]:
    """The risks of all routes. O(draws × stops). Raises DispatchError for draws below 1."""
    if draws < 1:
        raise DispatchError(f"draws: expected at least 1, not {draws}")
    rng = np.random.default_rng(seed)
    visits = {visit.name: visit for visit in problem.visits}
    return tuple(_route_risk(problem, route, visits, draws, rng) for route in plan.routes)


def drawn_minutes(minutes: Minutes, draws: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Minutes of work, log-normal by P50 and P90; exactly P50 where both are equal or P50 is 0."""
    if minutes.p50 <= 0.0 or minutes.p90 <= minutes.p50:
        return np.full(draws, float(minutes.p50))
    spread = np.log(minutes.p90 / minutes.p50) / Z90
    drawn: NDArray[np.float64] = minutes.p50 * np.exp(spread * rng.standard_normal(draws))
    return drawn


def _route_risk(
    problem: Problem,
    route: Route,
    visits: dict[str, Visit],
    draws: int,
    rng: np.random.Generator,
) -> RouteRisk:
    crew = next(crew for crew in problem.crews if crew.name == route.crew)
    place = route.start_place
    free = np.full(draws, float(route.start_min))
    rests = list(route.rests)
    told = []
    for stop in route.stops:
        visit = visits[stop.visit]
        if stop.started:
            # Under way: as long as drawn, but it is not over before now.
            done = stop.start_min + drawn_minutes(visit.minutes, draws, rng)
            free = np.maximum(done, problem.now_min)
            told.append(StopRisk(stop.visit, stop.start_min, stop.start_min, _kept(visit, None)))
            continue
        arrival = free + problem.travel.between(place, visit.place)
        while rests and rests[0].start_min < stop.start_min:
            rest = rests.pop(0)
            arrival = np.maximum(arrival, rest.start_min) + rest.stop_min - rest.start_min
        start = _admitted(problem, visit, arrival)
        told.append(
            StopRisk(
                stop.visit,
                float(np.quantile(start, 0.5)),
                float(np.quantile(start, 0.9)),
                _kept(visit, start),
            )
        )
        free, place = start + drawn_minutes(visit.minutes, draws, rng), visit.place
    back = free + problem.travel.between(place, crew.base)
    back += sum(r.stop_min - r.start_min for r in rests if r.stop_min <= route.back_min)
    stop_min = crew.shifts[route.shift].stop_min
    return RouteRisk(route.crew, route.shift, tuple(told), float(np.mean(back <= stop_min)))


def _admitted(problem: Problem, visit: Visit, arrival: NDArray[np.float64]) -> NDArray[np.float64]:
    """The start: not before the plan, the earliest time or access; after the last, at once."""
    first = max(problem.now_min, visit.earliest_min or problem.now_min)
    if visit.promise and visit.promise.from_min is not None:
        first = max(first, visit.promise.from_min)
    ready = np.maximum(arrival, first)
    start: NDArray[np.float64] = ready
    for span in sorted(visit.access, reverse=True):
        start = np.where(ready < span.stop_min, np.maximum(ready, span.start_min), start)
    return start


def _kept(visit: Visit, start: NDArray[np.float64] | None) -> float:
    if visit.promise is None or start is None:
        return 1.0
    return float(np.mean(start <= visit.promise.by_min))
