"""Why a crew has a visit: what it drives for it, and the next best crew."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import inf

from faults.dispatch.errors import DispatchError
from faults.dispatch.insertion import Sequences
from faults.dispatch.plan import Plan
from faults.dispatch.problem import Problem
from faults.dispatch.reasons import CrewReason, obstacle_for, sequences_of
from faults.dispatch.timing import Times, price

# Costs are told to so many decimals; two that are told alike are alike.
DECIMALS = 3


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another crew for a planned visit: the minutes it starts at and what the change would add."""

    crew: str
    start_min: int
    added_cost: float
    added_drive_min: int


@dataclass(frozen=True, slots=True)
class WhyCrew:
    """Why a crew has a visit; the next best crew, None where no other has room; and what keeps
    the crews that could not have it even with nothing else to do."""

    visit: str
    crew: str
    text: str
    next_best: Alternative | None
    cannot: tuple[CrewReason, ...]


def why_this_crew(
    problem: Problem, plan: Plan, visit: str, sequences: Sequences | None = None
) -> WhyCrew:
    """Why a planned visit is with its crew. Raises DispatchError for one that is not planned.

    ``sequences``: of the plan, for who has them already; they are left as they are.
    """
    found = plan.places_of_visits().get(visit)
    if found is None:
        raise DispatchError(f"{visit} is in no route of this plan")
    route, stop = found
    if stop.started:
        return WhyCrew(visit, route.crew, f"{route.crew} is there already.", None, ())
    sequences = sequences.copy() if sequences else sequences_of(problem, plan)
    ready = sequences.ready
    task = ready.number[visit]
    here = next(number for number, sequence in enumerate(sequences.of) if task in sequence)
    had, drove = sequences.cost[here], _driven(sequences, here)
    sequences.put(here, sequences.line_without(here, task).sequence)
    saved, own_drive = had - sequences.cost[here], drove - _driven(sequences, here)
    cannot, able = [], []
    for number, crew in enumerate(problem.crews):
        if crew.name == route.crew:
            continue
        obstacle = obstacle_for(ready, ready.tasks[task], number)
        if obstacle:
            cannot.append(obstacle)
        else:
            able.append(number)
    best = _next_best(sequences, task, able, (saved, own_drive))
    if ready.tasks[task].locked:
        text = f"The visit is locked to {route.crew}."
    elif best is None:
        can = "has room for" if able else "can do"
        text = f"{route.crew} alone {can} it; it drives {own_drive} min more for it."
    else:
        text = _why_text(route.crew, best, own_drive, stop.start_min)
    return WhyCrew(visit, route.crew, text, best, tuple(cannot))


def _next_best(
    sequences: Sequences, task: int, crews: list[int], given_up: tuple[float, int]
) -> Alternative | None:
    """The cheapest place with one of the crews, against the cost and driving given up.

    Turns that the visit is least out of the way of come first: of the others most need be looked
    at only as far as they are too dear.
    """
    ready = sequences.ready
    able = set(crews)
    turns = [number for number in ready.tasks[task].turns if ready.turns[number].crew in able]
    best: tuple[float, str, int, list[int]] | None = None
    for number in sorted(turns, key=lambda number: (_detour(sequences, task, number), number)):
        had = sequences.cost[number]
        most = had + best[0] + 10.0**-DECIMALS if best else inf
        order, cost = sequences.line(number).with_one_more(task, most)
        if cost < inf:
            crew = ready.problem.crews[ready.turns[number].crew].name
            added = round(cost - had - given_up[0], DECIMALS) + given_up[0]
            tried = (added, crew, number, order)
            best = min(best, tried, key=lambda one: one[:3]) if best else tried
    if best is None:
        return None
    added, crew, number, order = best
    times = Times()
    price(ready, number, order, times)
    start = next(start for item, start, _ in times.starts if item == task)
    drive = times.drive_min - _driven(sequences, number) - given_up[1]
    return Alternative(crew, start, round(added - given_up[0], DECIMALS), drive)


def _detour(sequences: Sequences, task: int, number: int) -> int:
    """The least minutes of driving that a visit adds to a turn, its times aside."""
    ready = sequences.ready
    turn, here = ready.turns[number], ready.tasks[task].place
    stops = [ready.tasks[item].place for item in sequences.of[number] if item >= 0]
    line = [turn.start_place, *stops, turn.end_place]
    return min(
        ready.drive[before][here] + ready.drive[here][after] - ready.drive[before][after]
        for before, after in pairwise(line)
    )


def _driven(sequences: Sequences, number: int) -> int:
    turn = sequences.ready.turns[number]
    times = Times(drive_min=sequences.ready.drive[turn.start_place][turn.end_place])
    price(sequences.ready, number, sequences.of[number], times)
    return times.drive_min


def _why_text(crew: str, best: Alternative, drive_min: int, start_min: int) -> str:
    more = f"{abs(best.added_drive_min)} min {'more' if best.added_drive_min >= 0 else 'less'}"
    return (
        f"{crew} drives {drive_min} min more for it; {best.crew}, the next best, {more} than that, "
        f"and would come {_apart(best.start_min - start_min)}. With promises and dry stations "
        f"counted in, that is worse by as much as {best.added_cost:.0f} min of driving."
    )


def _apart(minutes: int) -> str:
    if minutes == 0:
        return "at the same time"
    hours, rest = divmod(abs(minutes), 60)
    told = " ".join(
        part for part in (f"{hours} h" * (hours > 0), f"{rest} min" * (rest > 0)) if part
    )
    return f"{told} {'later' if minutes > 0 else 'earlier'}"
