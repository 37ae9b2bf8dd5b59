"""Why a visit is in no route, and what it would take; why a crew has it and no other."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from math import inf

from faults.dispatch.insertion import Sequences, break_places
from faults.dispatch.placing import line_of
from faults.dispatch.plan import Plan
from faults.dispatch.problem import Problem, Visit
from faults.dispatch.timing import Times, price
from faults.dispatch.turns import (
    FOREVER,
    Ready,
    Task,
    breaks_of,
    lacks,
    make_ready,
    minutes_of,
    start_windows,
)


class Obstacle(StrEnum):
    """What keeps a crew from a visit, the first that applies in this order."""

    SHIFT = "no shift"
    SKILL = "skill"
    TOOL = "tool"
    PART = "part"
    PEOPLE = "people"
    LOCK = "lock"
    WINDOW = "window"
    DISTANCE = "distance"
    LONG = "work too long"
    BUSY = "busy"


IMPOSSIBLE = frozenset(Obstacle) - {Obstacle.BUSY}


@dataclass(frozen=True, slots=True)
class CrewReason:
    """Why one crew does not do a visit, and what it would take.

    ``lacking_min``: minutes that a shift or an access is too short by, where that is it.
    ``added_cost``: what doing it would add to the plan, where that is known.
    """

    crew: str
    obstacle: Obstacle
    text: str
    lacking_min: int = 0
    added_cost: float | None = None


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Why a visit is left out. ``possible``: some crew could do it if it had nothing else."""

    visit: str
    possible: bool
    text: str
    would_take: str
    by_crew: tuple[CrewReason, ...]


def reasons_left_out(
    problem: Problem, plan: Plan, sequences: Sequences | None = None
) -> tuple[LeftOut, ...]:
    """For each visit left out: why, crew by crew, and what it would take. O(left out × stops).

    ``sequences``: of the plan, for who has them already.
    """
    sequences = sequences or sequences_of(problem, plan)
    visits = {visit.name: visit for visit in problem.visits}
    return tuple(_left_out(sequences, visits[name]) for name in plan.left_out)


def sequences_of(problem: Problem, plan: Plan, told_by: Plan | None = None) -> Sequences:
    """A plan's routes as sequences over its problem; what cannot be kept is left out: a visit also
    where its turn may not have it any more, for a need, a lock or a time."""
    ready = make_ready(problem, told_by)
    turn_of = {(problem.crews[turn.crew].name, turn.shift): n for n, turn in enumerate(ready.turns)}
    orders: list[list[int]] = [[] for _ in ready.turns]
    for route in plan.routes:
        number = turn_of.get((route.crew, route.shift))
        if number is not None:
            names = [stop.visit for stop in route.stops if not stop.started]
            items = [ready.number[name] for name in names if name in ready.number]
            orders[number] = [item for item in items if number in ready.tasks[item].turns]
    return Sequences(ready, orders)


def obstacle_for(ready: Ready, task: Task, crew_number: int) -> CrewReason | None:
    """What keeps a crew from a visit even if it had nothing else to do; None: nothing."""
    problem, visit = ready.problem, task.visit
    crew = problem.crews[crew_number]
    turns = [number for number, turn in enumerate(ready.turns) if turn.crew == crew_number]
    if not turns:
        text = f"{crew.name} has no shift in the time of this plan."
        return CrewReason(crew.name, Obstacle.SHIFT, text)
    lacking = lacks(crew, visit)
    if lacking:
        obstacle = Obstacle(lacking[0].partition(" ")[0])
        return CrewReason(crew.name, obstacle, f"{crew.name} lacks {', '.join(lacking)}.")
    lock = next((one for one in problem.locked if one.visit == visit.name), None)
    if lock and lock.crew != crew.name:
        return CrewReason(crew.name, Obstacle.LOCK, f"The visit is locked to {lock.crew}.")
    if any(line_of(ready, n, [ready.number[visit.name]]).cost < inf for n in turns):
        return None
    return _obstacle_of_time(ready, task, crew_number, turns)


def _obstacle_of_time(ready: Ready, task: Task, crew_number: int, turns: list[int]) -> CrewReason:
    name = ready.problem.crews[crew_number].name
    if not task.windows:
        return CrewReason(name, Obstacle.WINDOW, _window_text(ready.problem, task.visit))
    lacking = min((n for n in (_lacking_min(ready, task, n) for n in turns) if n), default=0)
    out_and_back = min(
        ready.drive[ready.turns[n].start_place][task.place]
        + ready.drive[task.place][ready.turns[n].end_place]
        for n in turns
    )
    longest = max(ready.turns[n].stop_min - ready.turns[n].start_min for n in turns)
    if out_and_back + task.minutes > longest:
        text = (
            f"{name} would need {out_and_back} min of driving and {task.minutes} min of work; its "
            f"longest shift has {max(longest, 0)} min left."
        )
        obstacle = Obstacle.DISTANCE if out_and_back > task.minutes else Obstacle.LONG
        return CrewReason(name, obstacle, text, lacking)
    if lacking:
        text = f"{name} would be home {lacking} min after its shift, breaks and waits counted."
        return CrewReason(name, Obstacle.SHIFT, text, lacking)
    text = f"No shift of {name} meets the times in which the work may start."
    return CrewReason(name, Obstacle.WINDOW, text)


def _lacking_min(ready: Ready, task: Task, number: int) -> int:
    """Minutes by which a shift is too short for the visit alone; 0 where no length is enough."""
    turn = replace(ready.turns[number], stop_min=FOREVER)
    turns = (*ready.turns[:number], turn, *ready.turns[number + 1 :])
    endless, alone = replace(ready, turns=turns), ready.number[task.visit.name]
    backs = []
    for sequence in break_places([alone], breaks_of(ready, number)):
        times = Times()
        if price(endless, number, sequence, times) < inf:
            backs.append(times.back_min)
    return max(min(backs) - ready.turns[number].stop_min, 0) if backs else 0


def _window_text(problem: Problem, visit: Visit) -> str:
    minutes = minutes_of(problem, visit)
    spans = [span.stop_min - span.start_min for span in visit.access]
    if spans and max(spans) < minutes:
        return f"The work takes {minutes} min; access is open for {max(spans)} min at most."
    lock = next((one for one in problem.locked if one.visit == visit.name), None)
    if lock and lock.start_min is not None and start_windows(problem, visit, minutes):
        return "It is locked to a start that is over."
    return "No time of access is left within this plan after the earliest start."


def _left_out(sequences: Sequences, visit: Visit) -> LeftOut:
    ready, problem = sequences.ready, sequences.ready.problem
    task = ready.tasks[ready.number[visit.name]]
    by_crew = []
    for number, crew in enumerate(problem.crews):
        reason = obstacle_for(ready, task, number)
        if reason is None:
            reason = _busy(sequences, ready.number[visit.name], number, crew.name)
        by_crew.append(reason)
    possible = any(reason.obstacle is Obstacle.BUSY for reason in by_crew)
    if not by_crew:
        return LeftOut(visit.name, possible, "There is no crew.", "a crew", ())
    if possible:
        busy = [reason for reason in by_crew if reason.obstacle is Obstacle.BUSY]
        least = min(busy, key=lambda one: (one.added_cost or inf, one.crew))
        return LeftOut(visit.name, possible, least.text, _room_text(busy), tuple(by_crew))
    nearest = min(by_crew, key=lambda one: (_gravity(one), one.lacking_min, one.crew))
    text = "No crew can do it. " + nearest.text
    return LeftOut(visit.name, possible, text, _would_take(nearest), tuple(by_crew))


def _gravity(reason: CrewReason) -> int:
    """How far a crew is from being able: what is mended by some minutes comes first."""
    if reason.lacking_min:
        return 0
    order = (Obstacle.PART, Obstacle.TOOL, Obstacle.PEOPLE, Obstacle.LOCK, Obstacle.SKILL)
    return 1 + order.index(reason.obstacle) if reason.obstacle in order else 9


def _would_take(reason: CrewReason) -> str:
    if reason.lacking_min:
        return f"{reason.lacking_min} min more in the shift of {reason.crew}"
    return {
        Obstacle.SHIFT: "a crew on shift",
        Obstacle.WINDOW: "access at another time, or a longer plan",
        Obstacle.LOCK: "the lock taken off",
        Obstacle.LONG: "work in shorter parts",
        Obstacle.DISTANCE: "a crew that is nearer",
    }.get(reason.obstacle, reason.text.rstrip(".").replace(" lacks ", " with "))


def _busy(sequences: Sequences, task: int, crew_number: int, name: str) -> CrewReason:
    """The crew could, but its day is full of what matters more, or the visit is not worth it."""
    ready, worth = sequences.ready, sequences.ready.tasks[task].left_out_cost
    least = inf
    for number in ready.tasks[task].turns:
        if ready.turns[number].crew == crew_number:
            least = min(least, _least_added(sequences, task, number))
    if least == inf:
        text = f"{name} has no room for it beside its other visits."
        return CrewReason(name, Obstacle.BUSY, text)
    text = (
        f"{name} could, but its other visits and roads would lose as much as {least:.0f} min of "
        f"driving by it, and this visit counts for {worth:.0f}."
    )
    if least < worth:
        text = f"{name} has room for it: a longer search would take it in."
    return CrewReason(name, Obstacle.BUSY, text, added_cost=round(least, 3))


def _room_text(busy: list[CrewReason]) -> str:
    if all(reason.added_cost is None for reason in busy):
        return f"another visit of {busy[0].crew} put off, or one more crew that can do it"
    return "the visit to be worth more"


def _least_added(sequences: Sequences, task: int, number: int) -> float:
    return sequences.line(number).with_one_more(task)[1] - sequences.cost[number]
