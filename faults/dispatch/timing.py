"""When each stop of a sequence begins, and what it costs: everything as early as it can be.

A sequence holds numbers of tasks and, as numbers below 0, the breaks of its turn: -1 the first.
A break between two stops is taken on the way, wherever the crew then is. All costs but moves
rise with time, and a told visit is not begun more than the tolerance early by the crew that was
told, so as early as possible is best for a given sequence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import inf
from typing import NamedTuple

from faults.dispatch.problem import Break
from faults.dispatch.turns import Ready, Task, Turn, broken_promise_cost


@dataclass(slots=True)
class Times:
    """Filled by :func:`price`: starts and legs by position of tasks, breaks, the way home."""

    starts: list[tuple[int, int, int]] = field(default_factory=list)
    rests: list[tuple[int, int]] = field(default_factory=list)
    back_min: int = 0
    drive_min: int = 0


class State(NamedTuple):
    """How things stand before a position of a sequence: place, since when free, cost so far.

    ``cost`` is without driving; ``driven`` in minutes; ``resting``: breaks due on the next leg.
    """

    at: int
    free: int
    cost: float = 0.0
    driven: int = 0
    resting: tuple[Break, ...] = ()


def states_of(
    ready: Ready, number: int, sequence: Sequence[int], times: Times | None = None
) -> list[State]:
    """The states before each position and after the last; fewer where one cannot be reached."""
    turn = ready.turns[number]
    state = State(turn.start_place, turn.start_min)
    states = [state]
    for item in sequence:
        if item < 0:
            resting = (*state.resting, turn.breaks[-1 - item])
            state = State(state.at, state.free, state.cost, state.driven, resting)
        else:
            after = after_task(ready, number, state, item, times)
            if after is None:
                break
            state = after
        states.append(state)
    return states


def after_task(
    ready: Ready, number: int, state: State, item: int, times: Times | None = None
) -> State | None:
    """The state after one more task; None where it cannot begin any more."""
    task = ready.tasks[item]
    leg = ready.drive[state.at][task.place]
    arrival = state.free + leg
    if state.resting:
        arrival = _rested(state.resting, state.free, leg, times)
    start = _start(task, number, arrival, ready.problem.told_tolerance_min)
    if start < 0:
        return None
    if times is not None:
        times.starts.append((item, start, leg))
    cost = state.cost + _stop_cost(ready, task, number, start)
    return State(task.place, start + task.minutes, cost, state.driven + leg)


def price(ready: Ready, number: int, sequence: Sequence[int], times: Times | None = None) -> float:
    """Cost of a turn's sequence, infinite where it cannot be kept. O(stops)."""
    turn, weights = ready.turns[number], ready.problem.weights
    if not sequence or max(sequence) < 0:
        # Who is out and has nothing more to do still drives home.
        home = ready.drive[turn.start_place][turn.end_place]
        return home * (weights.drive_minute + weights.crew_minute)
    states = states_of(ready, number, sequence, times)
    if len(states) <= len(sequence):
        return inf
    return cost_when_home(ready, number, sequence, states[-1], times)


def cost_when_home(
    ready: Ready, number: int, sequence: Sequence[int], last: State, times: Times | None = None
) -> float:
    """Cost of a turn that ends its sequence in a state; infinite where it cannot be kept."""
    turn, weights = ready.turns[number], ready.problem.weights
    leg = ready.drive[last.at][turn.end_place]
    back = _home(last.resting, last.free, leg, times)
    if back > turn.stop_min or not is_aboard(ready, turn, sequence):
        return inf
    if times is not None:
        times.back_min, times.drive_min = back, last.driven + leg
    out = (back - turn.start_min) * weights.crew_minute
    return last.cost + (last.driven + leg) * weights.drive_minute + out


def added_cost(
    ready: Ready,
    number: int,
    line: tuple[Sequence[int], Sequence[State]],
    change: tuple[int, int, float],
    least: float,
) -> float:
    """What a task adds to a turn that can be kept, infinite where that is ``least`` or more.

    ``line``: the turn's sequence and its states; ``change``: the task, the position before which
    it goes, the cost of the added driving. Walks on only until the delay is made good by a wait
    or has cost too much. What is aboard is looked at by :func:`price`.
    """
    sequence, states = line
    task, place, driving = change
    turn = ready.turns[number]
    state = after_task(ready, number, states[place], task)
    if state is None:
        return inf
    for position in range(place, len(sequence)):
        before = states[position]
        if driving + state.cost - before.cost >= least:
            return inf
        if state.free == before.free and state.at == before.at and position > place:
            return driving + state.cost - before.cost
        item = sequence[position]
        if item < 0:
            resting = (*state.resting, turn.breaks[-1 - item])
            state = State(state.at, state.free, state.cost, state.driven, resting)
            continue
        after = after_task(ready, number, state, item)
        if after is None:
            return inf
        state = after
    back = _back(ready, turn, state)
    if back > turn.stop_min:
        return inf
    longer = max(back - _back(ready, turn, states[-1]), 0)
    return driving + state.cost - states[-1].cost + longer * ready.problem.weights.crew_minute


def _back(ready: Ready, turn: Turn, last: State) -> int:
    return _home(last.resting, last.free, ready.drive[last.at][turn.end_place], None)


def _start(task: Task, number: int, arrival: int, tolerance: int) -> int:
    """The first minute from arrival on at which the work may start; -1 if there is none."""
    told = task.told
    if told is not None and told.turn == number and arrival < told.start_min - tolerance:
        arrival = told.start_min - tolerance
    for low, high in task.windows:
        if arrival <= high:
            return max(arrival, low)
    return -1


def _stop_cost(ready: Ready, task: Task, number: int, start: int) -> float:
    problem = ready.problem
    cost = task.dry_per_min * (start + task.minutes - problem.now_min)
    if start > task.promise_by:
        cost += broken_promise_cost(problem, task.promise_by, start)
    if task.told is not None and has_moved(ready, task, number, start):
        cost += problem.weights.moved_visit
    return cost


def has_moved(ready: Ready, task: Task, number: int, start: int) -> bool:
    """Whether a visit comes by another crew or shift than told, or too far off its time."""
    told = task.told
    if told is None:
        return False
    return told.turn != number or abs(start - told.start_min) > ready.problem.told_tolerance_min


NEVER = 1 << 50


def _rested(resting: Sequence[Break], free: int, leg: int, times: Times | None) -> int:
    """Arrival after a leg on which breaks are taken; NEVER where one would begin too late."""
    for rest in resting:
        begin = max(free, rest.earliest_min)
        if begin > rest.latest_min:
            return NEVER
        leg -= min(leg, begin - free)
        free = begin + rest.minutes
        if times is not None:
            times.rests.append((begin, free))
    return free + leg


def _home(resting: Sequence[Break], free: int, leg: int, times: Times | None) -> int:
    """Arrival at the base, as early as the breaks allow: those that can wait are taken there."""
    for count in range(len(resting) + 1):
        back = _rested(resting[:count], free, leg, None)
        if back < NEVER and _can_wait(resting[count:], back):
            break
    else:
        return NEVER
    if times is not None:
        _rested(resting[:count], free, leg, times)
        begin = back
        for rest in resting[count:]:
            begin = max(begin, rest.earliest_min)
            times.rests.append((begin, begin + rest.minutes))
            begin += rest.minutes
    return back


def _can_wait(resting: Sequence[Break], back: int) -> bool:
    for rest in resting:
        begin = max(back, rest.earliest_min)
        if begin > rest.latest_min:
            return False
        back = begin + rest.minutes
    return True


def is_aboard(ready: Ready, turn: Turn, sequence: Sequence[int]) -> bool:
    """Whether what is aboard is enough for all of the sequence."""
    if not turn.parts:
        return True
    used: dict[str, int] = {}
    for item in sequence:
        if item >= 0:
            for name, count in ready.tasks[item].visit.parts.items():
                used[name] = used.get(name, 0) + count
    return all(count <= turn.parts.get(name, 0) for name, count in used.items())
