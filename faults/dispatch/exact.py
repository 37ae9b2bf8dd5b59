"""The best plan there is, where visits and turns are few enough to try every order."""

from __future__ import annotations

from math import inf

from faults.dispatch.insertion import Sequences
from faults.dispatch.timing import State, after_task, cost_when_home
from faults.dispatch.turns import Ready

MOST_TASKS = 6
MOST_TURNS = 6

Best = dict[frozenset[int], tuple[float, list[int]]]


def is_small(ready: Ready) -> bool:
    """Whether every order can be tried in about a second."""
    few_breaks = all(len(turn.breaks) <= 1 for turn in ready.turns)
    return few_breaks and len(ready.tasks) <= MOST_TASKS and len(ready.turns) <= MOST_TURNS


def exactly(ready: Ready) -> Sequences:
    """A plan that costs least. O(turns · (tasks + breaks)!), so see :func:`is_small`."""
    plans: dict[frozenset[int], tuple[float, list[list[int]]]] = {frozenset(): (0.0, [])}
    for number in range(len(ready.turns)):
        orders = _orders_of(ready, number)
        now: dict[frozenset[int], tuple[float, list[list[int]]]] = {}
        for done, (cost, sequences) in plans.items():
            for more, (added, sequence) in orders.items():
                if done & more:
                    continue
                both, total = done | more, cost + added
                if total < now.get(both, (inf, []))[0]:
                    now[both] = (total, [*sequences, sequence])
        plans = now
    left_out_cost = {i: task.left_out_cost for i, task in enumerate(ready.tasks)}
    everything = frozenset(left_out_cost)
    done = min(plans, key=lambda d: plans[d][0] + sum(left_out_cost[i] for i in everything - d))
    made = Sequences(ready)
    for number, sequence in enumerate(plans[done][1]):
        if sequence:
            made.put(number, sequence)
    return made


def _orders_of(ready: Ready, number: int) -> Best:
    """For each set of tasks that a turn can do, its best order, breaks included, and cost."""
    turn = ready.turns[number]
    able = [i for i, task in enumerate(ready.tasks) if number in task.turns]
    best: Best = {frozenset(): (Sequences(ready).cost[number], [])}

    def go_on(state: State, sequence: list[int], rests: int) -> None:
        if rests == len(turn.breaks) and any(item >= 0 for item in sequence):
            tasks = frozenset(item for item in sequence if item >= 0)
            cost = cost_when_home(ready, number, sequence, state)
            if cost < best.get(tasks, (inf, []))[0]:
                best[tasks] = (cost, sequence)
        for item in able:
            if item not in sequence:
                after = after_task(ready, number, state, item)
                if after is not None:
                    go_on(after, [*sequence, item], rests)
        if rests < len(turn.breaks):
            resting = (*state.resting, turn.breaks[rests])
            later = State(state.at, state.free, state.cost, state.driven, resting)
            go_on(later, [*sequence, -1 - rests], rests + 1)

    go_on(State(turn.start_place, turn.start_min), [], 0)
    return best
