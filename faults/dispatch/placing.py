"""The cheapest order of one turn: where its breaks go, and where one more visit does.

The tasks and the breaks keep their order among themselves. Instead of pricing every way to put
them together, ways are made from the left, and of those that have come to the same point only the
ones are followed that are free earlier or have cost less: as all costs rise with time (see
:mod:`faults.dispatch.timing`), the others cannot end cheaper. With one more visit, ways are left
that come too late for what follows, or that must cost more than is asked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import inf
from typing import NamedTuple

from faults.dispatch.timing import State, after_task, cost_when_home, is_aboard, price
from faults.dispatch.turns import Ready, breaks_of

Way = tuple[State, tuple[int, ...], float]
"""Where a way has come to, its sequence so far, and its cost so far with driving."""
Point = tuple[int, int]
"""Tasks done, breaks done."""
_ROUNDED = 1e-9
"""Share by which two ways to add the same costs up may differ."""


class Ahead(NamedTuple):
    """What follows on the arrival at a task, or home, at the least: with no wait and no break.

    ``latest_min``: after it something that follows cannot be kept; minutes until home, minutes of
    driving; what a minute's delay costs in dry stations, and what they cost on an arrival at 0.
    """

    latest_min: int
    until_home_min: int
    drive_min: int
    dry_per_min: float
    dry: float


@dataclass(frozen=True)
class Line:
    """A turn's tasks in their order, made ready once for every visit that may go among them.

    ``ways``: those without one more visit, by point; ``sequence`` and ``cost``: the cheapest of
    them that ends, the cost infinite where none does.
    """

    ready: Ready
    number: int
    bare: tuple[int, ...]
    ways: dict[Point, list[Way]]
    sequence: list[int]
    cost: float

    @cached_property
    def ahead(self) -> tuple[Ahead, ...]:
        """What follows, by the number of tasks done."""
        return _ahead(self.ready, self.number, self.bare)

    def with_one_more(self, more: int, most: float = inf) -> tuple[list[int], float]:
        """The cheapest sequence with the task ``more`` in it, and its cost: infinite where none
        holds or none costs less than ``most``.

        O(tasks × breaks) ways for most turns, against O(tasks^(breaks + 1)) to price.
        """
        ready, number, bare = self.ready, self.number, self.bare
        whole = [*bare, more, *breaks_of(ready, number)]
        if not ready.tasks[more].windows or not is_aboard(ready, ready.turns[number], whole):
            return whole, inf
        met: dict[Point, list[Way]] = {}
        breaks = len(ready.turns[number].breaks)
        for done in range(len(bare) + 1):
            for rested in range(breaks + 1):
                point = (done, rested)
                for way in self.ways.get(point, ()):
                    if self._may_come(way, done, more, most):
                        self._meet(met, point, _worked(ready, number, way, more), most)
                for way in met.get(point, ()):
                    if done < len(bare):
                        after = _worked(ready, number, way, bare[done])
                        self._meet(met, (done + 1, rested), after, most)
                    if rested < breaks:
                        after = _resting(ready, number, way, rested)
                        self._meet(met, (done, rested + 1), after, most)
        return _ended(ready, number, met.get((len(bare), breaks), ()), whole, most)

    def _may_come(self, way: Way, done: int, more: int, most: float) -> bool:
        """Whether a way with the task next can be in time for all that follows, for so much."""
        state, task, ahead = way[0], self.ready.tasks[more], self.ahead[done]
        drive, weights = self.ready.drive, self.ready.problem.weights
        leg, onward = drive[state.at][task.place], drive[task.place][self._place(done)]
        begin = max(state.free + leg, task.windows[0][0])
        arrival = begin + task.minutes + onward
        if arrival > ahead.latest_min:
            return False
        driving = (leg + onward + ahead.drive_min) * weights.drive_minute
        dry = task.dry_per_min * (begin + task.minutes - self.ready.problem.now_min)
        dry += ahead.dry + ahead.dry_per_min * arrival
        return (way[2] + driving + dry) * (1.0 - _ROUNDED) < most

    def _place(self, done: int) -> int:
        """Where the next of the tasks is, or home."""
        if done < len(self.bare):
            return self.ready.tasks[self.bare[done]].place
        return self.ready.turns[self.number].end_place

    def _meet(
        self, met: dict[Point, list[Way]], point: Point, way: Way | None, most: float
    ) -> None:
        if way is not None and self._least_cost(way, point[0]) < most:
            _keep(met.setdefault(point, []), way)

    def _least_cost(self, way: Way, done: int) -> float:
        """What a way costs at the least when it is home; infinite where it comes too late."""
        state, problem = way[0], self.ready.problem
        ahead, turn = self.ahead[done], self.ready.turns[self.number]
        leg = self.ready.drive[state.at][self._place(done)]
        arrival = state.free + leg
        if arrival > ahead.latest_min:
            return inf
        weights = problem.weights
        out = (arrival + ahead.until_home_min - turn.start_min) * weights.crew_minute
        driving = (leg + ahead.drive_min) * weights.drive_minute
        dry = ahead.dry + ahead.dry_per_min * arrival
        return (way[2] + out + driving + dry) * (1.0 - _ROUNDED)


def line_of(ready: Ready, number: int, bare: Sequence[int]) -> Line:
    """A turn's tasks made ready, without breaks given in their order. O(tasks × breaks) ways."""
    turn, breaks = ready.turns[number], len(ready.turns[number].breaks)
    whole = [*bare, *breaks_of(ready, number)]
    begin: Way = (State(turn.start_place, turn.start_min), (), 0.0)
    ways: dict[Point, list[Way]] = {(0, 0): [begin]}
    for done in range(len(bare) + 1):
        for rested in range(breaks + 1):
            for way in ways.get((done, rested), ()):
                after = _worked(ready, number, way, bare[done]) if done < len(bare) else None
                if after is not None:
                    _keep(ways.setdefault((done + 1, rested), []), after)
                if rested < breaks:
                    resting = _resting(ready, number, way, rested)
                    _keep(ways.setdefault((done, rested + 1), []), resting)
    if bare:
        sequence, cost = _ended(ready, number, ways.get((len(bare), breaks), ()), whole, inf)
    else:
        sequence, cost = whole, price(ready, number, whole)
    return Line(ready, number, tuple(bare), ways, sequence, cost)


def _ahead(ready: Ready, number: int, bare: Sequence[int]) -> tuple[Ahead, ...]:
    turn = ready.turns[number]
    following, place = Ahead(turn.stop_min, 0, 0, 0.0, 0.0), turn.end_place
    found = [following]
    for item in reversed(bare):
        task = ready.tasks[item]
        leg = ready.drive[task.place][place]
        past = task.minutes + leg
        dry = task.dry_per_min * (task.minutes - ready.problem.now_min)
        following = Ahead(
            min(max((high for _, high in task.windows), default=-1), following.latest_min - past),
            past + following.until_home_min,
            leg + following.drive_min,
            task.dry_per_min + following.dry_per_min,
            dry + following.dry_per_min * past + following.dry,
        )
        place = task.place
        found.append(following)
    return tuple(reversed(found))


def _ended(
    ready: Ready, number: int, ways: Sequence[Way], whole: list[int], most: float
) -> tuple[list[int], float]:
    """The cheapest of the ways that are home for less than ``most``."""
    best, least = whole, inf
    for state, sequence, _ in ways:
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


def _keep(ways: list[Way], way: Way) -> None:
    """Keep a way at its point unless another there, as good in all, makes it needless."""
    for one in ways:
        if _as_good(one, way):
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
