"""Plans: greedy, then PyVRP's search, then our own, which knows breaks, promises and moves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from faults.dispatch.ejection import push_in
from faults.dispatch.errors import DispatchError
from faults.dispatch.exact import exactly, is_small
from faults.dispatch.improve import improve
from faults.dispatch.insertion import Sequences
from faults.dispatch.plan import Plan
from faults.dispatch.problem import Problem
from faults.dispatch.routing import routed
from faults.dispatch.timing import Times, price
from faults.dispatch.told import plan_of
from faults.dispatch.turns import Ready, make_ready

# So many visits, left out or late, are put in at the end even where others have to go for them.
MOST_PUSHED_IN = 30


@dataclass(frozen=True, slots=True)
class Effort:
    """How long to search; the same effort gives the same plan.

    ``iterations`` of PyVRP (0: without it), ``rounds`` of our own search afterwards. ``stop`` is
    asked often and ends the search early when it says so: it is where a caller's clock comes in,
    and a plan that it cut short depends on the machine.
    """

    iterations: int = 4000
    rounds: int = 400
    seed: int = 1
    stop: Callable[[], bool] | None = None

    def __post_init__(self) -> None:
        if self.iterations < 0 or self.rounds < 0 or self.seed < 0:
            raise DispatchError("effort: expected iterations, rounds and seed of at least 0")


def solve(problem: Problem, effort: Effort | None = None) -> Plan:
    """A plan of a problem: always one that can be kept, and no worse than the greedy one.

    With few visits and crews every order is tried, if there are rounds to search at all.

    Where PyVRP fails, or ``stop`` leaves it no time, the plan is made without it and its
    ``method`` says ``greedy`` if nothing else has been at work.
    """
    effort = effort or Effort()
    ready = make_ready(problem)
    if effort.rounds and is_small(ready):
        return plan_of(exactly(ready), method="every order")
    greedy = greedily(ready)
    found = None
    if effort.iterations and not (effort.stop and effort.stop()):
        found = _routed(greedy, effort)
    best = _improved(greedy, found, effort)
    return plan_of(best, method="greedy" if best is greedy else "search")


def _improved(greedy: Sequences, found: Sequences | None, effort: Effort) -> Sequences:
    """The best after most rounds from what was routed, some from the greedy beginning."""
    if found is None:
        best = improve(greedy, effort.rounds, effort.seed, effort.stop)
    else:
        some = effort.rounds // 5
        tried = [
            improve(found, effort.rounds - some, effort.seed, effort.stop),
            improve(greedy, some, effort.seed, effort.stop),
        ]
        best = min(tried, key=Sequences.total)
    return best if effort.rounds == 0 else push_in(filled(best), _unkept(best))


def _unkept(sequences: Sequences) -> list[int]:
    """Tasks left out or late for a promise, those that cost most to leave out first."""
    tasks = sequences.ready.tasks
    late = []
    for number, sequence in enumerate(sequences.of):
        times = Times()
        price(sequences.ready, number, sequence, times)
        late += [item for item, start, _ in times.starts if start > tasks[item].promise_by]
    some = [item for item in (*late, *sequences.left_out) if tasks[item].turns]
    return sorted(some, key=lambda i: (-tasks[i].left_out_cost, i))[:MOST_PUSHED_IN]


def filled(sequences: Sequences) -> Sequences:
    """With what still finds a place: the search overlooks some on purpose. Same where none."""
    more = sequences.copy()
    tasks = more.ready.tasks
    more.insert_all(sorted(more.left_out, key=lambda i: (-tasks[i].left_out_cost, i)))
    return more if more.total() < sequences.total() else sequences


def greedily(ready: Ready) -> Sequences:
    """Visits one after another, those that cost most to leave out first, each where it is best."""
    made = Sequences(ready)
    tasks = ready.tasks
    made.insert_all(sorted(range(len(tasks)), key=lambda i: (-tasks[i].left_out_cost, i)))
    for number in range(len(ready.turns)):
        made.place_breaks(number)
    return made


def _routed(start: Sequences, effort: Effort) -> Sequences | None:
    try:
        sequences = routed(start, effort.iterations, effort.seed, effort.stop)
    except (ImportError, RuntimeError, ValueError, OverflowError):
        # A library that is not there or refuses its input is no reason to have no plan today.
        return None
    if sequences is None:
        return None
    return filled(Sequences(start.ready, sequences))
