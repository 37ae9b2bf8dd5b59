"""A plan changed by hand: one visit put elsewhere, checked at once, nothing else reordered."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

from faults.dispatch.errors import MoveRefusedError
from faults.dispatch.insertion import Sequences
from faults.dispatch.placing import line_of
from faults.dispatch.plan import Difference, Plan, Stop, compare
from faults.dispatch.problem import Problem
from faults.dispatch.reasons import obstacle_for, sequences_of
from faults.dispatch.timing import states_of
from faults.dispatch.told import plan_of
from faults.dispatch.turns import Ready

METHOD = "by hand"


@dataclass(frozen=True, slots=True)
class HandMove:
    """Where a visit shall be.

    ``crew``: empty to take it out. ``shift``: number of it within the crew's, None: any.
    ``after``: the visit that it follows, empty: the first of its shift, None: where it costs least.
    """

    visit: str
    crew: str
    shift: int | None = None
    after: str | None = None


@dataclass(frozen=True, slots=True)
class Shifted:
    """Another visit that begins at another time because of the move."""

    visit: str
    start_before_min: int
    start_after_min: int


@dataclass(frozen=True, slots=True)
class Moved:
    """The plan after a move, the visit's stop in it, what shifted, and all figures of both."""

    plan: Plan
    stop: Stop | None
    shifted: tuple[Shifted, ...]
    figures: tuple[Difference, ...]


def moved_by_hand(problem: Problem, plan: Plan, move: HandMove, told: Plan | None = None) -> Moved:
    """A plan with one visit elsewhere; all others keep crew and order, and begin when they can.

    ``told``: the plan against which the figures count moves. Raises MoveRefusedError where the
    move cannot be kept, with why. O(stops) for a given place, O(stops²) for the cheapest.
    """
    sequences = sequences_of(problem, plan, told)
    ready = sequences.ready
    task = ready.number.get(move.visit)
    if task is None:
        begun = any(one.visit == move.visit for one in problem.started)
        raise MoveRefusedError(
            f"{move.visit} has begun already." if begun else f"{move.visit} is not in this plan."
        )
    _take_out(sequences, task)
    if move.crew:
        number, order = _place(sequences, task, move)
        sequences.put(number, order)
    elif ready.tasks[task].locked:
        raise MoveRefusedError(f"{move.visit} is locked to its crew.")
    after = plan_of(sequences, METHOD)
    return Moved(
        after, _stop(after, move.visit), _shifted(plan, after, move.visit), compare(plan, after)
    )


def _take_out(sequences: Sequences, task: int) -> None:
    for number, sequence in enumerate(sequences.of):
        if task in sequence:
            sequences.put(number, sequences.line_without(number, task).sequence)


def _place(sequences: Sequences, task: int, move: HandMove) -> tuple[int, list[int]]:
    """The turn and its whole sequence."""
    ready = sequences.ready
    crew = next((n for n, one in enumerate(ready.problem.crews) if one.name == move.crew), None)
    if crew is None:
        raise MoveRefusedError(f"{move.crew} is not planned with.")
    obstacle = obstacle_for(ready, ready.tasks[task], crew)
    if obstacle:
        raise MoveRefusedError(obstacle.text)
    turns = [
        number
        for number, turn in enumerate(ready.turns)
        if turn.crew == crew and move.shift in (None, turn.shift)
    ]
    if not turns:
        raise MoveRefusedError(f"{move.crew} has no such shift left.")
    best: tuple[float, int, list[int]] | None = None
    refused = ""
    for number in turns:
        for order in _orders(ready, sequences.of[number], task, move.after):
            line = line_of(ready, number, order)
            added = line.cost - sequences.cost[number]
            if line.cost == inf:
                refused = refused or _why_not(ready, number, order)
            elif best is None or added < best[0]:
                best = (added, number, line.sequence)
    if best is None:
        raise MoveRefusedError(refused or f"{move.after} is not in the route of {move.crew}.")
    return best[1], best[2]


def _orders(ready: Ready, sequence: list[int], task: int, after: str | None) -> list[list[int]]:
    """The orders of a turn's visits with the task in them that the move allows."""
    bare = [item for item in sequence if item >= 0]
    places = range(len(bare) + 1)
    if after == "":
        places = range(1)
    elif after is not None:
        here = [n for n, item in enumerate(bare) if ready.tasks[item].visit.name == after]
        begun = any(one.visit == after for one in ready.problem.started)
        places = range(here[0] + 1, here[0] + 2) if here else range(int(begun))
    return [[*bare[:place], task, *bare[place:]] for place in places]


def _why_not(ready: Ready, number: int, order: list[int]) -> str:
    """What keeps a turn from an order of visits, in one sentence."""
    turn, problem = ready.turns[number], ready.problem
    crew = problem.crews[turn.crew].name
    states = states_of(ready, number, order)
    last = states[-1]
    if len(states) <= len(order):
        task = ready.tasks[order[len(states) - 1]]
        late = last.free + ready.drive[last.at][task.place] - task.windows[-1][1]
        return f"{crew} would be {late} min too late to begin {task.visit.name}."
    late = last.free + ready.drive[last.at][turn.end_place] - turn.stop_min
    if late > 0:
        return f"{crew} would be home {late} min after its shift."
    for name, count in sorted(_parts(ready, order).items()):
        if count > turn.parts.get(name, 0):
            return f"{crew} has {turn.parts.get(name, 0)} of {name} aboard, {count} are needed."
    return f"{crew} would have no time left for a break."


def _parts(ready: Ready, order: list[int]) -> dict[str, int]:
    used: dict[str, int] = {}
    for item in order:
        for name, count in ready.tasks[item].visit.parts.items():
            used[name] = used.get(name, 0) + count
    return used


def _stop(plan: Plan, visit: str) -> Stop | None:
    found = plan.places_of_visits().get(visit)
    return found[1] if found else None


def _shifted(before: Plan, after: Plan, moved: str) -> tuple[Shifted, ...]:
    old = {name: stop for name, (_, stop) in before.places_of_visits().items()}
    new = {name: stop for name, (_, stop) in after.places_of_visits().items()}
    return tuple(
        Shifted(name, old[name].start_min, new[name].start_min)
        for name in sorted(old.keys() & new.keys())
        if name != moved and old[name].start_min != new[name].start_min
    )
