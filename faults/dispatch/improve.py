"""Takes strings of neighbouring visits out and puts them back better, over and over.

Slack induction by string removals: Christiaens and Vanden Berghe, Transportation Science 54
(2020), 417. Cooling follows the share of rounds done, so a run depends on seed and rounds alone.
"""

from __future__ import annotations

from collections.abc import Callable
from math import log

from faults.dispatch.insertion import Chance, Draws, Sequences
from faults.dispatch.turns import Ready

REMOVED_ON_AVERAGE = 8.0
LONGEST_STRING = 8
BLINK = 0.01
# In so many rounds visits go in that do not pay for themselves; the round's total decides.
DEARER = 0.15
# With so many visits or fewer these two ways, which are dear, are taken in full; with more, less.
MANY = 10.0
# By how much a round may be worse at first, in minutes of driving, shared among the visits: with
# many there is no time to come back from a worse plan. It falls to a hundredth.
WARMTH = 60.0
# Of the visits that found no place before, so many are tried again in a round.
MOST_WAITING_TRIED = 6


def improve(
    start: Sequences,
    rounds: int,
    seed: int,
    stop: Callable[[], bool] | None = None,
) -> Sequences:
    """The best found in so many rounds, or until ``stop`` says so; never worse than the start."""
    ready, draws = start.ready, Draws(seed)
    if not ready.tasks or not ready.turns:
        return start
    near = _near(ready)
    current, best = start, start
    current_cost = best_cost = start.total()
    for done in range(rounds):
        if stop is not None and stop():
            break
        tried = current.copy()
        _round(tried, near, draws)
        cost = tried.total()
        heat = WARMTH / len(ready.tasks) * 0.01 ** (done / rounds)
        if cost < current_cost - heat * log(max(draws.next(), 1e-12)):
            current, current_cost = tried, cost
            if cost < best_cost - 1e-9:
                best, best_cost = tried, cost
    return best


def _near(ready: Ready) -> list[list[int]]:
    """For each task all tasks, those with the shortest drive first."""
    places = [task.place for task in ready.tasks]
    return [
        sorted(range(len(places)), key=lambda other, row=ready.drive[place]: row[places[other]])  # type: ignore[misc]
        for place in places
    ]


def _round(tried: Sequences, near: list[list[int]], draws: Draws) -> None:
    before = [list(sequence) for sequence in tried.of]
    waiting = [i for i in tried.left_out if tried.ready.tasks[i].turns]
    _take_out(tried, near, draws)
    chosen = set(draws.shuffled(sorted(waiting))[:MOST_WAITING_TRIED])
    back = tried.left_out - set(waiting)
    tried.insert_all(_order(tried.ready, back | chosen, draws), _chance(tried.ready, draws))
    for number, sequence in enumerate(before):
        if tried.of[number] != sequence:
            tried.place_breaks(number)


def _chance(ready: Ready, draws: Draws) -> Chance:
    few = min(MANY / len(ready.tasks), 1.0)
    worth = 1.0 + 2.0 * draws.next() if draws.next() < DEARER * few else 1.0
    return Chance(draws, BLINK, few, worth)


def _take_out(tried: Sequences, near: list[list[int]], draws: Draws) -> None:
    """Take strings out of turns around one visit."""
    tasks = tried.ready.tasks
    turn_of = {item: n for n, sequence in enumerate(tried.of) for item in sequence if item >= 0}
    longest = max(min(LONGEST_STRING, len(turn_of) / max(len(set(turn_of.values())), 1)), 1.0)
    strings = 1 + draws.below(int(4.0 * REMOVED_ON_AVERAGE / (1.0 + longest)))
    robbed: set[int] = set()
    for task in near[draws.below(len(tasks))]:
        if len(robbed) >= strings:
            break
        number = turn_of.get(task)
        if number is None or number in robbed or task in tried.left_out:
            continue
        robbed.add(number)
        bare = [item for item in tried.of[number] if item >= 0]
        length = 1 + draws.below(int(min(longest, len(bare))))
        at = bare.index(task)
        first = max(0, at - draws.below(length))
        out = set(bare[first : first + length])
        tried.put(number, [item for item in tried.of[number] if item not in out])


def _order(ready: Ready, left_out: set[int], draws: Draws) -> list[int]:
    """Tasks in one of four orders: by chance, worth, fewest turns, earliest end."""
    tasks = ready.tasks
    chance = draws.shuffled(sorted(i for i in left_out if tasks[i].turns))
    way = draws.next()
    if way < 0.4:
        return chance
    if way < 0.6:
        return sorted(chance, key=lambda i: -tasks[i].left_out_cost)
    if way < 0.8:
        return sorted(chance, key=lambda i: len(tasks[i].turns))
    return sorted(chance, key=lambda i: tasks[i].windows[-1][1] if tasks[i].windows else 0)
