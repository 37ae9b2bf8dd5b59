"""Puts a visit in where others have to go for it, and finds those another place."""

from __future__ import annotations

from collections.abc import Iterable
from math import inf

from faults.dispatch.insertion import Sequences
from faults.dispatch.timing import price
from faults.dispatch.turns import Ready

# The places that promise most are worked out in full, at most one for each turn.
PLACES_WORKED_OUT = 6
MOST_OUT = 4


def push_in(sequences: Sequences, tasks: Iterable[int]) -> Sequences:
    """Each task moved to where the plan then costs least, others put off for it if need be.

    Never dearer than before; the same object where nothing is gained. O(stops²) for each task.
    """
    best = sequences
    for task in tasks:
        best = _pushed_in(best, task)
    return best


def _pushed_in(sequences: Sequences, task: int) -> Sequences:
    without = sequences.copy()
    for number, sequence in enumerate(without.of):
        if task in sequence:
            without.put(number, [item for item in sequence if item != task])
    best, least = sequences, sequences.total() - 1e-9
    for number, sequence in _promising(without, task):
        tried = without.copy()
        tried.put(number, sequence)
        tasks = tried.ready.tasks
        out = [item for item in without.of[number] if item >= 0 and item in tried.left_out]
        tried.insert_all(sorted(out, key=lambda i: (-tasks[i].left_out_cost, i)))
        tried.place_breaks(number)
        if tried.total() < least:
            best, least = tried, tried.total()
    return best


def _promising(sequences: Sequences, task: int) -> list[tuple[int, list[int]]]:
    """For the turns where it seems to cost least, the sequence with the task and what stays."""
    found = []
    for number in sequences.ready.tasks[task].turns:
        sequence = sequences.of[number]
        worked_out = []
        for place in range(len(sequence) + 1):
            stays, cost = _without_least(sequences.ready, number, sequence, (task, place))
            worked_out.append((cost - sequences.cost[number], number, stays))
        found.append(min(worked_out))
    found.sort()
    return [(number, stays) for cost, number, stays in found[:PLACES_WORKED_OUT] if cost < inf]


def _without_least(
    ready: Ready, number: int, sequence: list[int], change: tuple[int, int]
) -> tuple[list[int], float]:
    """A sequence with a task at a place, less the visits that make it hold; all costs counted."""
    task, place = change
    stays, out_cost = [*sequence[:place], task, *sequence[place:]], 0.0
    cost = price(ready, number, stays)
    for _ in range(MOST_OUT):
        if cost < inf:
            break
        tried = []
        for item in stays:
            if item < 0 or item == task:
                continue
            rest = [other for other in stays if other != item]
            worth = ready.tasks[item].left_out_cost
            tried.append((price(ready, number, rest) + worth, worth, rest))
        if not tried:
            break
        # Where no single loss mends it, what is worth least goes, and again.
        least, worth, stays = min(tried)
        cost, out_cost = least - worth, out_cost + worth
    return stays, cost + out_cost
