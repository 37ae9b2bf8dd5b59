"""The problem as a routing model of PyVRP, and its answer as sequences.

A turn is a vehicle; what a crew lacks for a visit is a drive without end in the profile of such
crews. A visit is one client for each window in which it may start, of which at most one is
served; a client's prize is what leaving it out costs, less what it costs at that time. Breaks
are no clients (they have no place): a turn ends earlier by its breaks, which are put in after.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from faults.dispatch.insertion import Sequences
from faults.dispatch.turns import FOREVER, Ready, Task, Turn, Window, broken_promise_cost

# PyVRP counts in whole numbers: costs are kept to a tenth of a minute of driving.
UNITS_PER_MINUTE = 10
# Slices tell early from late, but with more clients than this the search is too slow to use them.
MOST_CLIENTS = 300
SLICE_MIN = 120


@dataclass(frozen=True, slots=True)
class Choice:
    """A window in which a task may start, and what it brings to start it there."""

    task: int
    low_min: int
    high_min: int
    prize: float


def choices_of(ready: Ready) -> list[Choice]:
    """The windows of all tasks, cut where the promise ends and, if there is room, in slices."""
    tasks = [number for number, task in enumerate(ready.tasks) if task.turns]
    for slice_min in (SLICE_MIN, 2 * SLICE_MIN, FOREVER):
        choices = [c for number in tasks for c in _choices(ready, number, slice_min)]
        if len(choices) <= MOST_CLIENTS:
            break
    return choices


def _choices(ready: Ready, number: int, slice_min: int) -> Iterator[Choice]:
    task = ready.tasks[number]
    for low, high in task.windows:
        for first, last in _reached(ready, task, (low, high)):
            cuts = _cuts(task, first, last, slice_min if task.dry_per_min else FOREVER)
            for begin, end in pairwise(cuts):
                middle = (begin + end - 1) / 2 if task.dry_per_min else begin
                cost = task.dry_per_min * (middle + task.minutes - ready.problem.now_min)
                cost += broken_promise_cost(ready.problem, task.promise_by, int(middle))
                yield Choice(number, begin, end - 1, max(task.left_out_cost - cost, 0.0))


def _reached(ready: Ready, task: Task, window: Window) -> list[Window]:
    """The parts of a window in which a turn can be there, joined; they do not overlap."""
    parts: list[Window] = []
    for turn in sorted((ready.turns[n] for n in task.turns), key=lambda turn: turn.start_min):
        low = max(window[0], turn.start_min + ready.drive[turn.start_place][task.place])
        home = ready.drive[task.place][turn.end_place]
        high = min(window[1], turn.stop_min - home - task.minutes)
        if low > high:
            continue
        if parts and low <= parts[-1][1] + 1:
            parts[-1] = (min(low, parts[-1][0]), max(high, parts[-1][1]))
        else:
            parts.append((low, high))
    return parts


def _cuts(task: Task, first: int, last: int, slice_min: int) -> list[int]:
    """Where windows begin: the first minute, the cuts, and one past the last."""
    inner = set()
    if slice_min < FOREVER:
        inner = set(range(first + slice_min, last - slice_min // 2, slice_min))
    if first <= task.promise_by < last:
        inner = {cut for cut in inner if abs(cut - task.promise_by) > slice_min // 4}
        inner.add(task.promise_by + 1)
    return [first, *sorted(inner), last + 1]


def routed(
    start: Sequences, iterations: int, seed: int, stop: Callable[[], bool] | None = None
) -> list[list[int]] | None:
    """Sequences of tasks by PyVRP for all turns; None where it has found nothing that holds.

    ``start``: where its search begins, as far as that holds in the model.
    """
    ready = start.ready
    # Not needed for a plan by hand, and dear to load.
    import pyvrp  # noqa: PLC0415

    choices = choices_of(ready)
    turns = [number for number, turn in enumerate(ready.turns) if _usable(turn)]
    if not choices or not turns:
        return None
    data = _data(pyvrp, ready, choices, turns)
    routes = [pyvrp.Route(data, _clients(start, choices, n), k) for k, n in enumerate(turns)]
    first = pyvrp.Solution(data, [route for route in routes if len(route.schedule()) > 2])
    with warnings.catch_warnings():
        # It warns of hard instances; whether its answer holds is seen below.
        warnings.simplefilter("ignore")
        result = pyvrp.solve(
            data,
            _Until(iterations, stop),
            seed,
            collect_stats=False,
            display=False,
            initial_solution=first if first.is_feasible() else None,
        )
    if not result.is_feasible():
        return None
    sequences: list[list[int]] = [[] for _ in ready.turns]
    for route in result.best.routes():
        clients = [step.idx for step in route if step.is_client()]
        sequences[turns[route.vehicle_type()]] = [choices[client].task for client in clients]
    return sequences


def _clients(start: Sequences, choices: Sequence[Choice], number: int) -> list[int]:
    """A turn's sequence in the model, which knows no breaks: the windows its starts fall into."""
    ready, turn = start.ready, start.ready.turns[number]
    at, free, clients = turn.start_place, turn.start_min, []
    for item in start.of[number]:
        if item < 0:
            continue
        arrival = free + ready.drive[at][ready.tasks[item].place]
        for client, choice in enumerate(choices):
            if choice.task == item and arrival <= choice.high_min:
                clients.append(client)
                free = max(arrival, choice.low_min) + ready.tasks[item].minutes
                at = ready.tasks[item].place
                break
    return clients


class _Until:
    """Ends PyVRP's search after so many iterations, or earlier when told to."""

    def __init__(self, iterations: int, stop: Callable[[], bool] | None) -> None:
        self.left, self.stop = iterations, stop

    def __call__(self, best_cost: int) -> bool:  # noqa: ARG002 - PyVRP calls it so
        self.left -= 1
        return self.left < 0 or (self.stop is not None and self.stop())


def _usable(turn: Turn) -> bool:
    return turn.start_min < _end(turn)


def _end(turn: Turn) -> int:
    return turn.stop_min - sum(rest.minutes for rest in turn.breaks)


def _data(pyvrp, ready: Ready, choices: Sequence[Choice], turns: Sequence[int]):  # type: ignore[no-untyped-def]
    """PyVRP's data: two locations for each turn, then one for each task with a choice."""
    tasks = list(dict.fromkeys(choice.task for choice in choices))
    row_of = {task: 2 * len(turns) + place for place, task in enumerate(tasks)}
    ends = [p for n in turns for p in (ready.turns[n].start_place, ready.turns[n].end_place)]
    places = np.array([*ends, *(ready.tasks[task].place for task in tasks)])
    profiles, profile_of = _profiles(ready, tasks, turns)
    matrices = [_matrices(ready, places, barred, 2 * len(turns)) for barred in profiles]
    groups = {task: [k for k, c in enumerate(choices) if c.task == task] for task in tasks}
    several = [members for members in groups.values() if len(members) > 1]
    group_of = {member: number for number, members in enumerate(several) for member in members}
    kinds = sorted({name for turn in ready.turns for name in turn.parts})
    zero = ready.problem.now_min
    return pyvrp.ProblemData(
        locations=[pyvrp.Location(0, 0) for _ in places],
        clients=[
            pyvrp.Client(
                location=row_of[choice.task],
                delivery=[ready.tasks[choice.task].visit.parts.get(kind, 0) for kind in kinds],
                service_duration=ready.tasks[choice.task].minutes,
                tw_early=choice.low_min - zero,
                tw_late=choice.high_min - zero,
                prize=round(choice.prize * UNITS_PER_MINUTE),
                required=False,
                group=group_of.get(number),
            )
            for number, choice in enumerate(choices)
        ],
        depots=[pyvrp.Depot(row) for row in range(2 * len(turns))],
        vehicle_types=[
            pyvrp.VehicleType(
                capacity=[ready.turns[number].parts.get(kind, 0) for kind in kinds],
                start_depot=2 * place,
                end_depot=2 * place + 1,
                tw_early=ready.turns[number].start_min - zero,
                tw_late=_end(ready.turns[number]) - zero,
                profile=profile_of[place],
            )
            for place, number in enumerate(turns)
        ],
        distance_matrices=[distance for distance, _ in matrices],
        duration_matrices=[duration for _, duration in matrices],
        groups=[pyvrp.ClientGroup(members, required=False) for members in several],
    )


def _profiles(
    ready: Ready, tasks: Sequence[int], turns: Sequence[int]
) -> tuple[list[tuple[int, ...]], list[int]]:
    """Which tasks (by place in the list) are barred, once for each sort of turn; each's sort."""
    barred = [
        tuple(place for place, task in enumerate(tasks) if number not in ready.tasks[task].turns)
        for number in turns
    ]
    sorts = list(dict.fromkeys(barred))
    return sorts, [sorts.index(one) for one in barred]


def _matrices(
    ready: Ready, places: NDArray[np.int64], barred: tuple[int, ...], first: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    problem = ready.problem
    duration = problem.travel.minutes[np.ix_(places, places)].copy()
    distance = np.rint(duration * problem.weights.drive_minute * UNITS_PER_MINUTE).astype(np.int64)
    never = problem.until_min - problem.now_min + max(t.stop_min for t in ready.turns)
    never = int(min(never, 10_000_000))
    rows = first + np.array(barred, dtype=np.int64)
    duration[:, rows], distance[:, rows] = never, 100 * UNITS_PER_MINUTE * 1000
    np.fill_diagonal(duration, 0)
    np.fill_diagonal(distance, 0)
    return distance, duration
