"""Why a visit is in no route, and what it would take; why a crew has it and no other."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from math import inf

from faults.dispatch.errors import DispatchError
from faults.dispatch.insertion import Sequences, break_places, breaks_of, with_breaks
from faults.dispatch.placing import cheapest
from faults.dispatch.plan import Plan
from faults.dispatch.problem import Problem, Visit
from faults.dispatch.timing import Times, price
from faults.dispatch.turns import FOREVER, Ready, Task, lacks, make_ready, minutes_of, start_windows


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


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another crew for a planned visit: the minutes it starts at and what the change would add."""

    crew: str
    start_min: int
    added_cost: float
    added_drive_min: int


@dataclass(frozen=True, slots=True)
class WhyCrew:
    """Why a crew has a visit: others that could, the cheapest first, and what keeps the rest."""

    visit: str
    crew: str
    text: str
    others: tuple[Alternative, ...]
    cannot: tuple[CrewReason, ...]


def reasons_left_out(
    problem: Problem, plan: Plan, sequences: Sequences | None = None
) -> tuple[LeftOut, ...]:
    """For each visit left out: why, crew by crew, and what it would take. O(left out × stops).

    ``sequences``: of the plan, for who has them already.
    """
    sequences = sequences or sequences_of(problem, plan)
    visits = {visit.name: visit for visit in problem.visits}
    return tuple(_left_out(sequences, visits[name]) for name in plan.left_out)


def why_this_crew(
    problem: Problem, plan: Plan, visit: str, sequences: Sequences | None = None
) -> WhyCrew:
    """Why a planned visit is with its crew. Raises DispatchError for one that is not planned.

    ``sequences``: of the plan, for who has them already; they are left as they are.
    """
    found = plan.places_of_visits().get(visit)
    if found is None:
        raise DispatchError(f"{visit} is in no route of this plan")
    route, stop = found
    if stop.started:
        return WhyCrew(visit, route.crew, f"{route.crew} is there already.", (), ())
    sequences = sequences.copy() if sequences else sequences_of(problem, plan)
    task = sequences.ready.number[visit]
    here = next(number for number, sequence in enumerate(sequences.of) if task in sequence)
    bare = [item for item in sequences.of[here] if item not in {task} and item >= 0]
    had, without = sequences.cost[here], with_breaks(sequences.ready, here, bare)
    sequences.put(here, without[0])
    saved, drive = had - without[1], _driven(sequences, here)
    own_drive = route.drive_min - drive
    others, cannot = [], []
    crew_of = {crew.name: number for number, crew in enumerate(problem.crews)}
    for crew in problem.crews:
        if crew.name == route.crew:
            continue
        obstacle = obstacle_for(sequences.ready, sequences.ready.tasks[task], crew_of[crew.name])
        if obstacle:
            cannot.append(obstacle)
            continue
        other = _alternative(sequences, task, crew_of[crew.name], (saved, own_drive))
        if other is None:
            text = f"{crew.name} has no room for it beside its other visits."
            cannot.append(CrewReason(crew.name, Obstacle.BUSY, text))
        else:
            others.append(other)
    others.sort(key=lambda other: (other.added_cost, other.crew))
    locked = sequences.ready.tasks[task].locked
    text = _why_text(route.crew, others, cannot, (own_drive, stop.start_min), locked=locked)
    return WhyCrew(visit, route.crew, text, tuple(others), tuple(cannot))


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
    if any(cheapest(ready, n, [ready.number[visit.name]])[1] < inf for n in turns):
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
    bare = [item for item in sequences.of[number] if item >= 0]
    return cheapest(sequences.ready, number, bare, task)[1] - sequences.cost[number]


def _alternative(
    sequences: Sequences, task: int, crew_number: int, given_up: tuple[float, int]
) -> Alternative | None:
    """The cheapest place with another crew, against the cost and driving given up."""
    best: tuple[float, int, list[int]] | None = None
    ready = sequences.ready
    for number in ready.tasks[task].turns:
        if ready.turns[number].crew != crew_number:
            continue
        bare = [item for item in sequences.of[number] if item >= 0]
        order, cost = cheapest(ready, number, bare, task)
        added = cost - sequences.cost[number]
        if added < inf and (best is None or added < best[0]):
            best = (added, number, order)
    if best is None:
        return None
    added, number, order = best
    times = Times()
    price(ready, number, order, times)
    start = next(start for item, start, _ in times.starts if item == task)
    drive = times.drive_min - _driven(sequences, number)
    crew = ready.problem.crews[crew_number].name
    return Alternative(crew, start, round(added - given_up[0], 3), drive - given_up[1])


def _driven(sequences: Sequences, number: int) -> int:
    turn = sequences.ready.turns[number]
    times = Times(drive_min=sequences.ready.drive[turn.start_place][turn.end_place])
    price(sequences.ready, number, sequences.of[number], times)
    return times.drive_min


def _why_text(
    crew: str,
    others: list[Alternative],
    cannot: list[CrewReason],
    own: tuple[int, int],
    *,
    locked: bool,
) -> str:
    """In words; ``own``: minutes that the crew drives for it, and the minute it starts at."""
    drive, start_min = own
    if locked:
        return f"The visit is locked to {crew}."
    impossible = [reason for reason in cannot if reason.obstacle in IMPOSSIBLE]
    if not others and len(impossible) == len(cannot):
        return f"{crew} alone can do it; it drives {drive} min more for it."
    if not others:
        return f"{crew} alone has room for it; it drives {drive} min more for it."
    best = others[0]
    more = f"{abs(best.added_drive_min)} min {'more' if best.added_drive_min >= 0 else 'less'}"
    return (
        f"{crew} drives {drive} min more for it; {best.crew}, the next best, {more} than that, "
        f"and would come {_apart(best.start_min - start_min)}. With promises and dry stations "
        f"counted in, that is worse by as much as {best.added_cost:.0f} min of driving."
    )


def _apart(minutes: int) -> str:
    if minutes == 0:
        return "at the same time"
    hours, rest = divmod(abs(minutes), 60)
    told = " ".join(
        part for part in (f"{hours} h" * (hours > 0), f"{rest} min" * (rest > 0)) if part
    )
    return f"{told} {'later' if minutes > 0 else 'earlier'}"
