"""Sequences as a plan with times and figures."""

from __future__ import annotations

from faults.dispatch.insertion import Sequences
from faults.dispatch.plan import Figures, Plan, Rest, Route, Stop
from faults.dispatch.timing import Times, has_moved, price
from faults.dispatch.turns import Ready, Turn, minutes_of


def plan_of(sequences: Sequences, method: str) -> Plan:
    """The plan that the sequences of all turns make."""
    ready = sequences.ready
    routes = []
    for number in _in_order(ready):
        route = _route(sequences, number)
        if route.stops or route.drive_min:
            routes.append(route)
    left_out = sorted(ready.tasks[item].visit.name for item in sequences.left_out)
    return Plan(tuple(routes), tuple(left_out), _figures(sequences, routes), method)


def _in_order(ready: Ready) -> list[int]:
    return sorted(
        range(len(ready.turns)), key=lambda n: (ready.turns[n].crew, ready.turns[n].shift)
    )


def _route(sequences: Sequences, number: int) -> Route:
    ready, problem = sequences.ready, sequences.ready.problem
    turn = ready.turns[number]
    times = Times()
    price(ready, number, sequences.of[number], times)
    stops = [*_started(turn)]
    for item, start, leg in times.starts:
        task = ready.tasks[item]
        stops.append(Stop(task.visit.name, start, start + task.minutes, leg, locked=task.locked))
    if not times.starts:
        # Who is out and has nothing more to do drives home.
        times.drive_min = ready.drive[turn.start_place][turn.end_place]
        times.back_min = turn.start_min + times.drive_min
    return Route(
        crew=problem.crews[turn.crew].name,
        shift=turn.shift,
        start_place=problem.travel.names[turn.start_place],
        start_min=turn.start_min,
        stops=tuple(stops),
        rests=tuple(Rest(begin, end) for begin, end in times.rests),
        back_min=times.back_min,
        drive_min=times.drive_min,
    )


def _started(turn: Turn) -> list[Stop]:
    begun = turn.started
    if begun is None:
        return []
    return [Stop(begun.visit, begun.start_min, turn.start_min, 0, started=True)]


def _figures(sequences: Sequences, routes: list[Route]) -> Figures:
    problem = sequences.ready.problem
    visits = {visit.name: visit for visit in problem.visits}
    stops = [stop for route in routes for stop in route.stops]
    starts = {stop.visit: stop for stop in stops}
    kept = broken = 0
    dry_min = 0.0
    for visit in visits.values():
        stop = starts.get(visit.name)
        dry_min += visit.stations_dry * (
            (max(stop.finish_min, problem.now_min) if stop else problem.until_min) - problem.now_min
        )
        if visit.promise and stop and stop.start_min <= visit.promise.by_min:
            kept += 1
        elif visit.promise and (stop or visit.promise.by_min < problem.until_min):
            # One that was promised for after the plan's end is not broken by it.
            broken += 1
    work = sum(minutes_of(problem, visits[stop.visit]) for stop in stops)
    drive = sum(route.drive_min for route in routes)
    span = sum(route.back_min - route.start_min for route in routes if route.stops)
    ahead = sum(stop.finish_min - stop.start_min for stop in stops if not stop.started)
    rests = sum(
        min(rest.stop_min, route.back_min) - min(rest.start_min, route.back_min)
        for route in routes
        for rest in route.rests
    )
    return Figures(
        visits_planned=len(stops),
        visits_left_out=len(sequences.left_out),
        promises_kept=kept,
        promises_broken=broken,
        dry_station_hours=round(dry_min / 60.0, 3),
        drive_min=drive,
        work_min=work,
        wait_min=max(span - drive - ahead - rests, 0),
        crews_used=len({route.crew for route in routes if route.stops}),
        visits_moved=visits_moved(sequences),
        cost=round(sequences.total(), 6),
    )


def visits_moved(sequences: Sequences) -> int:
    """How many visits come otherwise than they were told, those left out now among them."""
    ready = sequences.ready
    moved = sum(ready.tasks[item].told is not None for item in sequences.left_out)
    for number, sequence in enumerate(sequences.of):
        times = Times()
        price(ready, number, sequence, times)
        moved += sum(has_moved(ready, ready.tasks[i], number, at) for i, at, _ in times.starts)
    return moved
