"""A new plan after something has changed that moves as few of the told visits as it must."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from faults.dispatch.ejection import push_in
from faults.dispatch.errors import DispatchError
from faults.dispatch.improve import improve
from faults.dispatch.insertion import Sequences
from faults.dispatch.plan import Difference, Plan, Route, Stop, compare
from faults.dispatch.problem import Problem
from faults.dispatch.reasons import obstacle_for, sequences_of
from faults.dispatch.solve import Effort, filled
from faults.dispatch.told import plan_of
from faults.dispatch.turns import Ready, make_ready

# So many new or displaced visits are put in even where others have to go for them.
MOST_PUSHED_IN = 20
MOST_NAMED = 3


class ChangeKind(StrEnum):
    """How a visit differs from what was told."""

    ADDED = "added"
    OTHER_CREW = "other crew"
    OTHER_SHIFT = "other shift"
    LATER = "later"
    EARLIER = "earlier"
    LEFT_OUT = "left out"
    GONE = "gone"


@dataclass(frozen=True, slots=True)
class Change:
    """One visit that changed: before and after, where there was or is a stop, and why."""

    visit: str
    kind: ChangeKind
    crew_before: str | None
    start_before_min: int | None
    crew_after: str | None
    start_after_min: int | None
    why: str


@dataclass(frozen=True, slots=True)
class Replan:
    """The new plan, what changed against the one that was told, and all figures of both.

    The cost of the plan counts moves; that of the one before was counted on its own problem.
    """

    plan: Plan
    changes: tuple[Change, ...]
    figures: tuple[Difference, ...]

    @property
    def moved(self) -> tuple[Change, ...]:
        """Changes of visits that had been told a time and are still wanted."""
        return tuple(c for c in self.changes if c.kind not in {ChangeKind.ADDED, ChangeKind.GONE})


def replan(problem: Problem, told: Plan, effort: Effort | None = None) -> Replan:
    """Plan anew from what was told: ``problem`` holds the facts as they are now.

    Every told visit keeps its place where that can still be; new ones and those that lost it are
    put in where they cost least, moves counted; then our own search improves it, moves counted.
    PyVRP, which would not know what was told, has no part in it. Visits that are done belong to
    neither problem nor told plan any more; a told visit unknown to the problem counts as gone.
    """
    effort = effort or Effort(rounds=150)
    kept = sequences_of(problem, told, told)
    start = push_in(filled(kept), _new_or_lost(kept, frozenset(told.left_out)))
    best = filled(improve(start, effort.rounds, effort.seed, effort.stop))
    plan = plan_of(best, method="search")
    return Replan(plan, _changes(best.ready, told, plan), compare(told, plan))


def _new_or_lost(kept: Sequences, waited: frozenset[str]) -> list[int]:
    """Tasks that are new or have lost their place, those that cost most to leave out first."""
    tasks = kept.ready.tasks
    some = [i for i in kept.left_out if tasks[i].turns and tasks[i].visit.name not in waited]
    return sorted(some, key=lambda i: (-tasks[i].left_out_cost, i))[:MOST_PUSHED_IN]


def changes_against(problem: Problem, told: Plan, plan: Plan) -> tuple[Change, ...]:
    """What a plan has otherwise than what was told, visit by visit, with why."""
    return _changes(make_ready(problem, told), told, plan)


def _changes(ready: Ready, told: Plan, plan: Plan) -> tuple[Change, ...]:
    before, after = told.places_of_visits(), plan.places_of_visits()
    wanted = {visit.name for visit in ready.problem.visits}
    changes = []
    for name in sorted(before.keys() | after.keys()):
        old, new = before.get(name), after.get(name)
        kind = _kind(ready, old, new) if name in wanted else ChangeKind.GONE
        if kind is None:
            continue
        changes.append(
            Change(
                visit=name,
                kind=kind,
                crew_before=old[0].crew if old else None,
                start_before_min=old[1].start_min if old else None,
                crew_after=new[0].crew if new else None,
                start_after_min=new[1].start_min if new else None,
                why=_Why(ready, before, after, frozenset(told.left_out)).text(name, kind),
            )
        )
    return tuple(changes)


Placed = tuple[Route, Stop]


def _kind(ready: Ready, old: Placed | None, new: Placed | None) -> ChangeKind | None:
    if old is None:
        return ChangeKind.ADDED
    if new is None:
        return ChangeKind.LEFT_OUT
    if old[0].crew != new[0].crew:
        return ChangeKind.OTHER_CREW
    if new[1].started:
        return None
    late = new[1].start_min - old[1].start_min
    told = ready.tasks[ready.number[new[1].visit]].told
    turn = ready.turns[told.turn] if told and told.turn >= 0 else None
    if turn is None or turn.shift != new[0].shift:
        return ChangeKind.OTHER_SHIFT
    if abs(late) <= ready.problem.told_tolerance_min:
        return None
    return ChangeKind.LATER if late > 0 else ChangeKind.EARLIER


@dataclass(frozen=True, slots=True)
class _Why:
    """Tells why a visit changed, from the routes before and after."""

    ready: Ready
    before: dict[str, Placed]
    after: dict[str, Placed]
    waited: frozenset[str]

    def text(self, name: str, kind: ChangeKind) -> str:
        """One sentence."""
        if kind is ChangeKind.GONE:
            return "It is done, or no longer wanted."
        if kind is ChangeKind.ADDED:
            what = "It had been left out" if name in self.waited else "It is new"
            return f"{what}; {self.after[name][0].crew} has it at the least cost."
        crew = self.before[name][0].crew
        number = next((n for n, c in enumerate(self.ready.problem.crews) if c.name == crew), None)
        if number is None:
            return f"{crew} is no longer there."
        task = self.ready.tasks[self.ready.number[name]]
        obstacle = obstacle_for(self.ready, task, number)
        if obstacle:
            return obstacle.text
        if kind is ChangeKind.OTHER_SHIFT and (task.told is None or task.told.turn < 0):
            return f"The shift of {crew} in which it was told is gone."
        return self._made_way(name, crew)

    def _made_way(self, name: str, crew: str) -> str:
        """What came into the crew's route before it, or takes longer than was told."""
        told = self.before[name][1].start_min
        here = [(route, stop) for route, stop in self.after.values() if route.crew == crew]
        long, came = [], []
        for _, stop in here:
            old = self.before.get(stop.visit)
            if old is None or old[0].crew != crew:
                came.append(stop.visit)
                continue
            longer = stop.finish_min - stop.start_min > old[1].finish_min - old[1].start_min
            if longer and old[1].start_min <= told:
                long.append(stop.visit)
        if long:
            return f"{_named(long)} takes {crew} longer than was told."
        if came:
            return f"It makes way for {_named(came)} in the route of {crew}."
        return f"{crew} is free later than was told, or the plan as a whole costs less so."


def _named(names: list[str]) -> str:
    more = len(names) - MOST_NAMED
    shown = ", ".join(sorted(names)[:MOST_NAMED])
    return f"{shown} and {more} more" if more > 0 else shown


def told_share_moved(change: Replan, told: Plan) -> float:
    """Share of the visits told that moved. Raises DispatchError where none was told."""
    count = sum(len(route.stops) for route in told.routes)
    if count == 0:
        raise DispatchError("the told plan has no visits")
    return len(change.moved) / count


def anew(problem: Problem, told: Plan, planned_anew: Plan) -> Plan:
    """A plan made without regard to what was told, its figures with the moves it makes."""
    return plan_of(sequences_of(problem, planned_anew, told), planned_anew.method)
