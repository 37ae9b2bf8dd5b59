"""A problem made ready for search: one turn for each shift as it can still be used, and numbers.

A turn begins where and when its crew is free: after a started visit, at the last known position
or at the base, and never before now.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from faults.dispatch.plan import Plan
from faults.dispatch.problem import Break, Crew, Interval, Problem, Shift, Started, Visit

FOREVER = 1 << 40
Window = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Turn:
    """A crew's shift from now on: numbers of its crew, shift and places; what is aboard."""

    crew: int
    shift: int
    start_min: int
    stop_min: int
    start_place: int
    end_place: int
    breaks: tuple[Break, ...]
    parts: Mapping[str, int]
    started: Started | None = None


@dataclass(frozen=True, slots=True)
class Told:
    """What was told of a visit: its turn's number, -1 for one that is gone, and the start."""

    turn: int
    start_min: int


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """A visit not yet started, with its numbers.

    ``windows``: in which the work may start, in order; ``left_out_cost``: of leaving it out.
    """

    visit: Visit
    place: int
    minutes: int
    windows: tuple[Window, ...]
    turns: tuple[int, ...]
    dry_per_min: float
    promise_by: int
    left_out_cost: float
    told: Told | None = None
    locked: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Ready:
    """All that the search reads."""

    problem: Problem
    turns: tuple[Turn, ...]
    tasks: tuple[Task, ...]
    drive: list[list[int]]
    number: Mapping[str, int]
    """The number of each task by its visit's name."""


def make_ready(problem: Problem, told_by: Plan | None = None) -> Ready:
    """The problem in numbers; with what an earlier plan told, moves cost."""
    turns = tuple(
        turn
        for number, crew in enumerate(problem.crews)
        for turn in _turns_of(problem, number, crew)
    )
    told = _told(problem, turns, told_by) if told_by else {}
    begun = {one.visit for one in problem.started}
    tasks = tuple(
        _task(problem, turns, visit, told.get(visit.name))
        for visit in problem.visits
        if visit.name not in begun
    )
    number = {task.visit.name: number for number, task in enumerate(tasks)}
    return Ready(problem, turns, tasks, problem.travel.minutes.tolist(), number)


def breaks_of(ready: Ready, number: int) -> list[int]:
    """A turn's breaks as they stand in its sequence."""
    return [-1 - place for place in range(len(ready.turns[number].breaks))]


def lacks(crew: Crew, visit: Visit) -> tuple[str, ...]:
    """What the crew lacks for the visit, in words; empty where it lacks nothing."""
    lacking = [f"skill {name}" for name in sorted(visit.skills - crew.skills)]
    lacking += [f"tool {name}" for name in sorted(visit.tools - crew.tools)]
    lacking += [
        f"part {name} ({number} needed, {crew.parts.get(name, 0)} aboard)"
        for name, number in sorted(visit.parts.items())
        if number > crew.parts.get(name, 0)
    ]
    if visit.people > crew.people:
        lacking.append(f"people ({visit.people} needed, {crew.people} in the crew)")
    return tuple(lacking)


def start_windows(problem: Problem, visit: Visit, minutes: int) -> tuple[Window, ...]:
    """When the work may start: access, earliest and promised-from times, the plan's span."""
    first = max(problem.now_min, visit.earliest_min or problem.now_min)
    if visit.promise and visit.promise.from_min is not None:
        first = max(first, visit.promise.from_min)
    spans = sorted(visit.access) or [Interval(problem.now_min, problem.until_min)]
    windows = [
        (max(span.start_min, first), min(span.stop_min, problem.until_min) - minutes)
        for span in spans
    ]
    return tuple((low, high) for low, high in windows if low <= high)


def minutes_of(problem: Problem, visit: Visit) -> int:
    """Minutes kept free for a visit."""
    return visit.minutes.planned(problem.margin)


def _turns_of(problem: Problem, number: int, crew: Crew) -> list[Turn]:
    started = next((one for one in problem.started if one.crew == crew.name), None)
    turns = []
    for place, shift in enumerate(crew.shifts):
        begun = started if started and _holds(shift, started.start_min) else None
        if shift.start_min >= problem.until_min or (
            shift.stop_min <= problem.now_min and not begun
        ):
            continue
        turns.append(_turn(problem, (number, place), shift, begun))
    return turns


def _holds(shift: Shift, minute: int) -> bool:
    return shift.start_min <= minute < shift.stop_min


def _turn(problem: Problem, numbers: tuple[int, int], shift: Shift, begun: Started | None) -> Turn:
    crew = problem.crews[numbers[0]]
    index = problem.travel.index
    start, at, parts = max(shift.start_min, problem.now_min), crew.base, dict(crew.parts)
    if begun:
        visit = next(visit for visit in problem.visits if visit.name == begun.visit)
        start = max(problem.now_min, begun.start_min + minutes_of(problem, visit))
        at = visit.place
        parts = {name: count - visit.parts.get(name, 0) for name, count in parts.items()}
    elif _holds(shift, problem.now_min) and crew.position is not None:
        at = crew.position
    return Turn(
        crew=numbers[0],
        shift=numbers[1],
        start_min=start,
        stop_min=shift.stop_min,
        start_place=index[at],
        end_place=index[crew.base],
        # A break whose time is over is taken, or was missed: neither can be planned.
        breaks=tuple(rest for rest in shift.breaks if rest.latest_min >= start),
        parts=parts,
        started=begun,
    )


def _told(problem: Problem, turns: tuple[Turn, ...], plan: Plan) -> dict[str, Told]:
    # Told to a crew, and to one of its shifts by time: shifts may have been renumbered since.
    told = {}
    for name, (route, stop) in plan.places_of_visits().items():
        number = next(
            (
                number
                for number, turn in enumerate(turns)
                if problem.crews[turn.crew].name == route.crew
                and _holds(problem.crews[turn.crew].shifts[turn.shift], stop.start_min)
            ),
            -1,
        )
        told[name] = Told(number, stop.start_min)
    return told


def _task(problem: Problem, turns: tuple[Turn, ...], visit: Visit, told: Told | None) -> Task:
    weights = problem.weights
    lock = next((one for one in problem.locked if one.visit == visit.name), None)
    minutes = minutes_of(problem, visit)
    windows = start_windows(problem, visit, minutes)
    if lock and lock.start_min is not None:
        windows = ((lock.start_min, lock.start_min),) if lock.start_min >= problem.now_min else ()
    able = tuple(
        number
        for number, turn in enumerate(turns)
        if windows
        and not lacks(problem.crews[turn.crew], visit)
        and (lock is None or problem.crews[turn.crew].name == lock.crew)
        and all(turn.parts.get(name, 0) >= count for name, count in visit.parts.items())
    )
    by = visit.promise.by_min if visit.promise else FOREVER
    dry_per_min = visit.stations_dry * weights.dry_station_hour / 60.0
    cost = visit.value + dry_per_min * (problem.until_min - problem.now_min)
    cost += broken_promise_cost(problem, by, problem.until_min)
    cost += (weights.broken_lock if lock else 0.0) + (weights.moved_visit if told else 0.0)
    return Task(
        visit=visit,
        place=problem.travel.index[visit.place],
        minutes=minutes,
        windows=windows,
        turns=able,
        dry_per_min=dry_per_min,
        promise_by=by,
        left_out_cost=cost,
        told=told,
        locked=lock is not None,
    )


def broken_promise_cost(problem: Problem, by: int, start: int) -> float:
    """What it costs to come at ``start`` where ``by`` was promised."""
    if start <= by:
        return 0.0
    weights = problem.weights
    return weights.broken_promise + weights.hour_late * (start - by) / 60.0
