"""Sequences of all turns, changed by putting visits in where they cost least."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import inf

import numpy as np

from faults.dispatch.placing import Line, line_of
from faults.dispatch.timing import added_cost, price, states_of
from faults.dispatch.turns import Ready, breaks_of

# A visit is also tried with the breaks of the nearest turns moved: dear, so with many seldom.
TURNS_WITH_BREAKS_MOVED = 3


class Draws:
    """Uniform numbers of [0, 1) one by one, from a seed."""

    def __init__(self, seed: int) -> None:
        self._rng = np.random.default_rng(seed)
        self._block: list[float] = []

    def next(self) -> float:
        """The next one."""
        if not self._block:
            self._block = self._rng.random(4096).tolist()
        return self._block.pop()

    def below(self, count: int) -> int:
        """A whole number of [0, count)."""
        return int(self.next() * count)

    def shuffled(self, items: Iterable[int]) -> list[int]:
        """The items in random order."""
        return [item for _, item in sorted((self.next(), item) for item in items)]


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a visit goes best: its turn, the turn's whole sequence then, the added cost."""

    turn: int
    sequence: list[int]
    added: float


@dataclass(frozen=True, slots=True)
class Chance:
    """What is left to chance in putting visits in; by default nothing.

    ``blink``: how often a place is overlooked; ``moved_breaks``: how often breaks are moved for a
    visit; ``worth``: how many times what leaving a visit out costs it may cost to put it in, since
    two far ones may pay together where neither does alone.
    """

    draws: Draws | None = None
    blink: float = 0.0
    moved_breaks: float = 1.0
    worth: float = 1.0

    def moves_breaks(self) -> bool:
        """Whether breaks are moved for the next visit."""
        return self.draws is None or self.draws.next() < self.moved_breaks


NOTHING_BY_CHANCE = Chance()


class Sequences:
    """The sequence and the cost of each turn, and the tasks that are in none."""

    def __init__(self, ready: Ready, sequences: Sequence[Sequence[int]] | None = None) -> None:
        """Sequences hold tasks alone or with their breaks; without, breaks are put in.

        A sequence that cannot be kept loses the visits whose loss mends it at the least cost.
        """
        self.ready = ready
        self.of: list[list[int]] = [breaks_of(ready, number) for number in range(len(ready.turns))]
        self.cost = [price(ready, number, self.of[number]) for number in range(len(ready.turns))]
        self.states = [states_of(ready, n, sequence) for n, sequence in enumerate(self.of)]
        self.left_out = set(range(len(ready.tasks)))
        self.lines: dict[tuple[int, ...], Line] = {}
        for number, sequence in enumerate(sequences or ()):
            self.put(number, _mended(ready, number, [item for item in sequence if item >= 0]))

    def total(self) -> float:
        """Cost of all turns and of what is left out."""
        return sum(self.cost) + sum(self.ready.tasks[i].left_out_cost for i in self.left_out)

    def copy(self) -> Sequences:
        """Another one that shares nothing that changes."""
        other = Sequences.__new__(Sequences)
        # Sequences and states are never changed in place.
        other.ready, other.of, other.states = self.ready, list(self.of), list(self.states)
        other.cost, other.left_out = list(self.cost), set(self.left_out)
        # A turn's tasks make the same line in every copy.
        other.lines = self.lines
        return other

    def line(self, number: int) -> Line:
        """A turn's tasks made ready for one more, made once for the same tasks."""
        return self._line(number, [item for item in self.of[number] if item >= 0])

    def line_without(self, number: int, task: int) -> Line:
        """The same without one of its tasks."""
        return self._line(number, [i for i in self.of[number] if i >= 0 and i != task])

    def _line(self, number: int, bare: list[int]) -> Line:
        key = (number, *bare)
        if key not in self.lines:
            self.lines[key] = line_of(self.ready, number, bare)
        return self.lines[key]

    def put(self, number: int, sequence: list[int]) -> None:
        """Give a turn another sequence."""
        self.left_out |= {item for item in self.of[number] if item >= 0}
        self.left_out -= {item for item in sequence if item >= 0}
        self.of[number] = sequence
        self.cost[number] = price(self.ready, number, sequence)
        self.states[number] = states_of(self.ready, number, sequence)

    def spot_for(self, task: int, chance: Chance) -> Spot | None:
        """The cheapest place for a task that costs less than leaving it out.

        Places are looked at in order of a lower bound: driving and its own dry stations.
        """
        ready, draws, blink = self.ready, chance.draws, chance.blink
        best: Spot | None = None
        least = ready.tasks[task].left_out_cost * chance.worth
        for bound, number, place, driving in self._bounds(task):
            if bound >= least:
                break
            if blink and draws is not None and draws.next() < blink:
                continue
            sequence = self.of[number]
            line = (sequence, self.states[number])
            added = added_cost(ready, number, line, (task, place, driving), least)
            if added < least:
                tried = [*sequence[:place], task, *sequence[place:]]
                if ready.turns[number].parts and price(ready, number, tried) == inf:
                    continue
                least = added
                best = Spot(number, tried, added)
        return best

    def _bounds(self, task: int) -> list[tuple[float, int, int, float]]:
        """Least added cost, turn, position and added driving of each place, the least first."""
        ready, tasks = self.ready, self.ready.tasks
        drive, weight = ready.drive, ready.problem.weights.drive_minute
        one = tasks[task]
        here, dry = one.place, one.dry_per_min
        past, to_here = one.minutes - ready.problem.now_min, drive[one.place]
        found = []
        for number in one.turns:
            states = self.states[number]
            before, first = ready.turns[number].start_place, 0
            for place, item in enumerate((*self.of[number], None)):
                if item is not None and item < 0:
                    continue
                after = ready.turns[number].end_place if item is None else tasks[item].place
                leg = drive[before][here]
                added = weight * (leg + to_here[after] - drive[before][after])
                # A visit before another one may be put before or after the breaks between them.
                for position in range(first, place + 1):
                    waits = dry * (states[position].free + leg + past)
                    found.append((added + waits, number, position, added))
                before, first = after, place + 1
        found.sort()
        return found

    def insert_all(self, tasks: Iterable[int], chance: Chance = NOTHING_BY_CHANCE) -> None:
        """Put in each of the tasks, in their order, where it pays."""
        for task in tasks:
            spot = self.spot_for(task, chance)
            if chance.draws is not None or spot is None:
                spot = self._spot_with_other_breaks(task, spot, chance)
            if spot is not None:
                self.put(spot.turn, spot.sequence)

    def _spot_with_other_breaks(self, task: int, best: Spot | None, chance: Chance) -> Spot | None:
        """A cheaper place for a task, if there is one where the breaks of a turn move for it."""
        if not chance.moves_breaks():
            return best
        worth = self.ready.tasks[task].left_out_cost * chance.worth
        least = best.added if best else worth
        near = list(dict.fromkeys(number for _, number, _, _ in self._bounds(task)))
        for number in near[:TURNS_WITH_BREAKS_MOVED]:
            if not self.ready.turns[number].breaks:
                continue
            bare = [item for item in self.of[number] if item >= 0]
            for place in range(len(bare) + 1):
                tried = line_of(self.ready, number, [*bare[:place], task, *bare[place:]])
                if tried.cost - self.cost[number] < least:
                    least = tried.cost - self.cost[number]
                    best = Spot(number, tried.sequence, least)
        return best

    def place_breaks(self, number: int) -> None:
        """Move a turn's breaks to where they cost least."""
        if not self.ready.turns[number].breaks:
            return
        line = self.line(number)
        if line.cost < self.cost[number]:
            self.put(number, line.sequence)


def break_places(bare: list[int], breaks: list[int]) -> Iterable[list[int]]:
    """The tasks with the breaks among them, in their order, in all ways."""
    if not breaks:
        yield bare
        return
    for place in range(len(bare) + 1):
        for rest in break_places(bare[place:], breaks[1:]):
            yield [*bare[:place], breaks[0], *rest]


def _mended(ready: Ready, number: int, bare: list[int]) -> list[int]:
    """The sequence with its breaks, without the visits whose loss mends it at the least cost."""
    line = line_of(ready, number, bare)
    while line.cost == inf and bare:
        worth = [ready.tasks[task].left_out_cost for task in bare]
        rests = [[*bare[:place], *bare[place + 1 :]] for place in range(len(bare))]
        costs = [
            line_of(ready, number, rest).cost + w for rest, w in zip(rests, worth, strict=True)
        ]
        # Where no single loss mends it, the one that is worth least goes, and again.
        losses = worth if min(costs) == inf else costs
        bare = rests[losses.index(min(losses))]
        line = line_of(ready, number, bare)
    return line.sequence
