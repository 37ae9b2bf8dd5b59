"""Whether a plan can be kept and costs what it says, worked out apart from what made it.

It reads a problem's and a plan's fields alone and shares no function with ``faults.dispatch``:
every leg, window, break, need and cost is counted again here, in other ways.
"""

from __future__ import annotations

from collections import Counter
from fractions import Fraction
from itertools import pairwise
from math import isclose
from typing import Any

# What tests and benchmarks hand in are the product's own dataclasses; only their fields are read.
Anything = Any


def defects(problem: Anything, plan: Anything, told_by: Anything = None) -> list[str]:
    """All that is wrong with a plan, in words; nothing: it can be kept and its figures are true."""
    found = _everything_once(problem, plan)
    if found:
        return found
    for route in plan.routes:
        found += [f"{route.crew}/{route.shift}: {text}" for text in _route_defects(problem, route)]
    found += _lock_defects(problem, plan)
    found += _figure_defects(problem, plan, told_by)
    return found


def _everything_once(problem: Anything, plan: Anything) -> list[str]:
    names = Counter(stop.visit for route in plan.routes for stop in route.stops)
    names.update(plan.left_out)
    wanted = Counter(visit.name for visit in problem.visits)
    found = [
        f"{name}: {names[name]} times, not {wanted[name]}"
        for name in names | wanted
        if names[name] != wanted[name]
    ]
    turns = Counter((route.crew, route.shift) for route in plan.routes)
    found += [f"{turn}: two routes" for turn, count in turns.items() if count > 1]
    crews = {crew.name: crew for crew in problem.crews}
    for route in plan.routes:
        if route.crew not in crews or not 0 <= route.shift < len(crews[route.crew].shifts):
            found.append(f"{route.crew}/{route.shift}: no such shift")
    begun = {one.visit: one for one in problem.started}
    for route in plan.routes:
        for place, stop in enumerate(route.stops):
            one = begun.get(stop.visit)
            if stop.started != (one is not None):
                found.append(f"{stop.visit}: started or not?")
            if one and (place, route.crew, stop.start_min) != (0, one.crew, one.start_min):
                found.append(f"{stop.visit}: has started elsewhere")
    if set(begun) & set(plan.left_out):
        found.append("a started visit is left out")
    return found


def _kept_free(problem: Anything, visit: Anything) -> int:
    exact = Fraction(visit.minutes.p50) + Fraction(problem.margin) * (
        Fraction(visit.minutes.p90) - Fraction(visit.minutes.p50)
    )
    whole = int(exact)
    return whole if exact - whole < Fraction(1, 10**6) else whole + 1


def _route_defects(problem: Anything, route: Anything) -> list[str]:
    crew = next(crew for crew in problem.crews if crew.name == route.crew)
    shift = crew.shifts[route.shift]
    visits = {visit.name: visit for visit in problem.visits}
    stops = list(route.stops)
    begun = stops[0] if stops and stops[0].started else None
    fresh = stops[1:] if begun else stops
    found = _beginning_defects(problem, route, crew, shift, begun)
    found += _crew_defects(crew, [visits[stop.visit] for stop in stops])
    place, free, driven = route.start_place, route.start_min, 0
    rests = sorted(route.rests, key=lambda rest: rest.start_min)
    for stop in fresh:
        visit = visits[stop.visit]
        leg = int(
            problem.travel.minutes[
                problem.travel.names.index(place), problem.travel.names.index(visit.place)
            ]
        )
        resting = sum(
            r.stop_min - r.start_min
            for r in rests
            if free <= r.start_min and r.stop_min <= stop.start_min
        )
        if stop.start_min - free < leg + resting:
            found.append(
                f"{stop.visit}: {stop.start_min - free} min for a drive of {leg} and "
                f"breaks of {resting}"
            )
        if stop.drive_min != leg:
            found.append(f"{stop.visit}: the drive is {leg}, not {stop.drive_min}")
        found += _visit_defects(problem, visit, stop)
        place, free, driven = visit.place, stop.finish_min, driven + leg
    home = int(
        problem.travel.minutes[
            problem.travel.names.index(place), problem.travel.names.index(crew.base)
        ]
    )
    before = sum(
        r.stop_min - r.start_min
        for r in rests
        if free <= r.start_min < route.back_min and r.stop_min <= route.back_min
    )
    if route.back_min - free < home + before:
        found.append("is home before it can be")
    if route.drive_min != driven + home:
        found.append(f"drives {driven + home}, not {route.drive_min}")
    if fresh:
        if route.back_min > shift.stop_min:
            found.append(f"is home at {route.back_min}, after {shift.stop_min}")
        found += _break_defects(shift, route, fresh)
    return found


def _beginning_defects(
    problem: Anything, route: Anything, crew: Anything, shift: Anything, begun: Anything
) -> list[str]:
    visits = {visit.name: visit for visit in problem.visits}
    if begun:
        visit = visits[begun.visit]
        free = max(problem.now_min, begun.start_min + _kept_free(problem, visit))
        place = visit.place
        if begun.finish_min != free:
            return [f"{begun.visit}: done at {free}, not {begun.finish_min}"]
    else:
        free = max(problem.now_min, shift.start_min)
        under_way = shift.start_min <= problem.now_min < shift.stop_min
        place = crew.position if under_way and crew.position is not None else crew.base
    if (route.start_min, route.start_place) != (free, place):
        return [f"begins at {route.start_place} {route.start_min}, not at {place} {free}"]
    return []


def _crew_defects(crew: Anything, visits: list[Anything]) -> list[str]:
    found = []
    used: Counter[str] = Counter()
    for visit in visits:
        used.update(visit.parts)
        if not (visit.skills <= crew.skills and visit.tools <= crew.tools):
            found.append(f"{visit.name}: the crew lacks a skill or a tool")
        if visit.people > crew.people:
            found.append(f"{visit.name}: too few people")
    found += [
        f"{count} of {name} used" for name, count in used.items() if count > crew.parts.get(name, 0)
    ]
    return found


def _visit_defects(problem: Anything, visit: Anything, stop: Anything) -> list[str]:
    found = []
    lock = next((one for one in problem.locked if one.visit == visit.name), None)
    timed = lock is not None and lock.start_min is not None
    if stop.finish_min - stop.start_min != _kept_free(problem, visit):
        found.append(f"{visit.name}: takes {stop.finish_min - stop.start_min} min")
    if stop.start_min < problem.now_min or (stop.finish_min > problem.until_min and not timed):
        found.append(f"{visit.name}: not within the plan's time")
    if timed:
        return found
    if visit.access and not any(
        span.start_min <= stop.start_min and stop.finish_min <= span.stop_min
        for span in visit.access
    ):
        found.append(f"{visit.name}: {stop.start_min} to {stop.finish_min} without access")
    if visit.earliest_min is not None and stop.start_min < visit.earliest_min:
        found.append(f"{visit.name}: before its earliest time")
    promise = visit.promise
    if promise and promise.from_min is not None and stop.start_min < promise.from_min:
        found.append(f"{visit.name}: before it was promised")
    return found


def _break_defects(shift: Anything, route: Anything, fresh: list[Anything]) -> list[str]:
    due = [rest for rest in shift.breaks if rest.latest_min >= route.start_min]
    taken = sorted(route.rests, key=lambda rest: rest.start_min)
    if len(due) != len(taken):
        return [f"{len(taken)} breaks, not {len(due)}"]
    found = []
    for rest, had in zip(due, taken, strict=True):
        if not rest.earliest_min <= had.start_min <= rest.latest_min:
            found.append(f"break at {had.start_min} is too early or too late")
        if had.stop_min - had.start_min != rest.minutes:
            found.append(f"break at {had.start_min} has another length")
        if had.start_min < route.start_min:
            found.append(f"break at {had.start_min} before the crew begins")
        if any(had.start_min < stop.finish_min and stop.start_min < had.stop_min for stop in fresh):
            found.append(f"break at {had.start_min} during work")
    if any(b.start_min < a.stop_min for a, b in pairwise(taken)):
        found.append("breaks overlap")
    return found


def _lock_defects(problem: Anything, plan: Anything) -> list[str]:
    at = {stop.visit: (route, stop) for route in plan.routes for stop in route.stops}
    found = []
    for lock in problem.locked:
        if lock.visit not in at:
            continue
        route, stop = at[lock.visit]
        if route.crew != lock.crew or lock.start_min not in {None, stop.start_min}:
            found.append(f"{lock.visit}: does not stay where it is locked")
        if not stop.locked:
            found.append(f"{lock.visit}: is not told to be locked")
    return found


def cost_of(problem: Anything, plan: Anything, told_by: Anything = None) -> float:
    """The plan's cost by the problem's weights."""
    weights = problem.weights
    cost: float = weights.drive_minute * sum(route.drive_min for route in plan.routes)
    cost += weights.crew_minute * sum(
        route.back_min - route.start_min
        for route in plan.routes
        if route.drive_min or any(not stop.started for stop in route.stops)
    )
    at = {stop.visit: (route, stop) for route in plan.routes for stop in route.stops}
    locked = {one.visit for one in problem.locked}
    told = {
        s.visit: (r.crew, _shift_start(problem, r.crew, s.start_min), s.start_min)
        for r in (told_by.routes if told_by else ())
        for s in r.stops
    }
    for visit in problem.visits:
        here = at.get(visit.name)
        if here and here[1].started:
            continue
        start = here[1].start_min if here else problem.until_min
        done = here[1].finish_min if here else problem.until_min
        cost += weights.dry_station_hour * visit.stations_dry * (done - problem.now_min) / 60.0
        if visit.promise and start > visit.promise.by_min:
            late = start - visit.promise.by_min
            cost += weights.broken_promise + weights.hour_late * late / 60.0
        if not here:
            cost += visit.value + weights.broken_lock * (visit.name in locked)
        if visit.name in told:
            crew, shift_start, then = told[visit.name]
            stays = (
                here is not None
                and shift_start is not None
                and crew == here[0].crew
                and _shift_start(problem, crew, start) == shift_start
                and abs(start - then) <= problem.told_tolerance_min
            )
            cost += weights.moved_visit * (not stays)
    return cost


def _shift_start(problem: Anything, name: str, minute: int) -> int | None:
    for crew in problem.crews:
        if crew.name == name:
            for shift in crew.shifts:
                if shift.start_min <= minute < shift.stop_min:
                    return int(shift.start_min)
    return None


def _figure_defects(problem: Anything, plan: Anything, told_by: Anything) -> list[str]:
    figures = plan.figures
    at = {stop.visit: stop for route in plan.routes for stop in route.stops}
    promised = [visit for visit in problem.visits if visit.promise]
    kept = sum(v.name in at and at[v.name].start_min <= v.promise.by_min for v in promised)
    open_yet = sum(v.name not in at and v.promise.by_min >= problem.until_min for v in promised)
    dry = sum(
        visit.stations_dry
        * (
            max(at[visit.name].finish_min, problem.now_min)
            if visit.name in at
            else problem.until_min
        )
        - visit.stations_dry * problem.now_min
        for visit in problem.visits
    )
    cost = cost_of(problem, plan, told_by)
    expected = {
        "visits_planned": len(at),
        "visits_left_out": len(plan.left_out),
        "promises_kept": kept,
        "promises_broken": len(promised) - kept - open_yet,
        "drive_min": sum(route.drive_min for route in plan.routes),
        "dry_station_hours": dry / 60.0,
        "cost": cost,
    }
    return [
        f"{name} is {getattr(figures, name)}, counted again {value}"
        for name, value in expected.items()
        if not isclose(getattr(figures, name), value, rel_tol=1e-6, abs_tol=2e-3)
    ]
