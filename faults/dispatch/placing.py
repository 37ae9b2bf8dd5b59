"""The cheapest order of one turn: where its breaks go, and where one more visit does.

The tasks and the breaks keep their order among themselves. Instead of pricing every way to put
them together, ways are made from the left, and of those that have come to the same point only the
ones are followed that are free earlier or have cost less: as all costs rise with time (see
:mod:`faults.dispatch.timing`), the others cannot end cheaper.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from faults.dispatch.insertion import breaks_of
from faults.dispatch.timing import State, after_task, cost_when_home, price
from faults.dispatch.turns import Ready

Way = tuple[State, tuple[int, ...], float]
"""Where a way has come to, its sequence so far, and its cost so far with driving."""
Point = tuple[int, int, int]
"""One more visit put in or not, tasks done, breaks done."""


def cheapest(
    ready: Ready, number: int, bare: Sequence[int], more: int | None = None, most: float = inf
) -> tuple[list[int], float]:
    """The cheapest sequence of a turn's tasks with its breaks, and with the task ``more`` among
    them, and its cost; the cost is infinite where none holds or none costs less than ``most``.

    O(tasks × breaks) ways for most turns, against O(tasks^(breaks + 1)) to price.
    """
    breaks = len(ready.turns[number].breaks)
    whole = [*bare, *breaks_of(ready, number)]
    if not bare and more is None:
        return whole, price(ready, number, whole)
    turn = ready.turns[number]
    begin: Way = (State(turn.start_place, turn.start_min), (), 0.0)
    met: dict[Point, list[Way]] = {(0 if more is not None else 1, 0, 0): [begin]}
    for put_in in range(0 if more is not None else 1, 2):
        for done in range(len(bare) + 1):
            for rested in range(breaks + 1):
                for way in met.get((put_in, done, rested), ()):
                    if done < len(bare):
                        after = _worked(ready, number, way, bare[done])
                        _meet(met, (put_in, done + 1, rested), after, most)
                    if rested < breaks:
                        after = _resting(ready, number, way, rested)
                        _meet(met, (put_in, done, rested + 1), after, most)
                    if not put_in and more is not None:
                        _meet(met, (1, done, rested), _worked(ready, number, way, more), most)
    best, least = whole, inf
    for state, sequence, _ in met.get((1, len(bare), breaks), ()):
        cost = cost_when_home(ready, number, sequence, state)
        if cost < most and (cost, list(sequence)) < (least, best):
            best, least = list(sequence), cost
    return best, least


def _worked(ready: Ready, number: int, way: Way, item: int) -> Way | None:
    state = after_task(ready, number, way[0], item)
    if state is None:
        return None
    spent = state.cost + state.driven * ready.problem.weights.drive_minute
    return state, (*way[1], item), spent


def _resting(ready: Ready, number: int, way: Way, rested: int) -> Way:
    state = way[0]
    resting = (*state.resting, ready.turns[number].breaks[rested])
    later = State(state.at, state.free, state.cost, state.driven, resting)
    return later, (*way[1], -1 - rested), way[2]


def _meet(met: dict[Point, list[Way]], point: Point, way: Way | None, most: float) -> None:
    """Keep a way at its point unless another there, as good in all, makes it needless."""
    if way is None or way[2] >= most:
        return
    ways = met.setdefault(point, [])
    if any(_as_good(one, way) for one in ways):
        return
    ways[:] = [one for one in ways if not _as_good(way, one)]
    ways.append(way)


def _as_good(one: Way, other: Way) -> bool:
    first, second = one[0], other[0]
    if first.at != second.at or len(first.resting) != len(second.resting):
        return False
    if first.free == second.free and one[2] == other[2]:
        # Breaks early, so that the same tasks always come out the same.
        return one[1] <= other[1]
    return first.free <= second.free and one[2] <= other[2]
