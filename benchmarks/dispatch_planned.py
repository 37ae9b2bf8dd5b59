"""The third way through an invented month: by plan, planned anew with every piece of news."""

from __future__ import annotations

from dataclasses import replace

from benchmarks.dispatch_month import DAY, HOUR, MARGIN, CrewState, Field, Way
from faults.dispatch.plan import Plan
from faults.dispatch.problem import Crew, Interval, Minutes, Problem, Started, Visit, Weights
from faults.dispatch.solve import Effort, solve
from tests.dispatch.checker import defects

# Work that ends so much off its planned minutes is news too.
OFF_PLAN_MIN = 5


class Planned(Way):
    """Follows a plan for today and tomorrow."""

    def __init__(self, effort: Effort) -> None:
        self.effort = effort
        self.plan: Plan | None = None
        self.plans = 0
        self.defects: list[str] = []

    def act(self, now: Field, *, news: bool) -> int | None:
        """Plan anew if there is news; send out those whose next stop is due."""
        if not any(now.on_shift(state) for state in now.states):
            self.plan = None
            return None
        if news or self.plan is None or self._off_plan(now):
            self._plan_anew(now)
        return self._send_out(now)

    def _off_plan(self, now: Field) -> bool:
        return any(
            state.free_min == now.now_min and abs(_early(state)) >= OFF_PLAN_MIN
            for state in now.states
        )

    def _plan_anew(self, now: Field) -> None:
        problem = problem_of(now)
        self.plan = solve(problem, self.effort)
        self.plans += 1
        self.defects += defects(problem, self.plan)

    def _send_out(self, now: Field) -> int | None:
        again = []
        for state in now.idle():
            route = (
                next(
                    (
                        r
                        for r in self.plan.routes
                        if r.crew == state.crew.name and r.start_min < _end(now)
                    ),
                    None,
                )
                if self.plan
                else None
            )
            stop = next((s for s in route.stops if s.visit in now.open), None) if route else None
            if stop is None:
                continue
            call = now.open[stop.visit]
            start = now.start_if_sent(state, call)
            if start is None:
                continue
            leave = start - now.month.travel.between(state.place, call.visit.place)
            if leave > now.now_min:
                again.append(leave)
            else:
                now.send(state, call, start)
        return min(again, default=None)


def _early(state: CrewState) -> int:
    return state.expected_min - state.free_min


def _end(now: Field) -> int:
    return (now.now_min // DAY + 1) * DAY


def problem_of(now: Field) -> Problem:
    """What is known now: crews where they are or will be free, calls that are open."""
    until = min((now.now_min // DAY + 2) * DAY, now.month.days * DAY)
    crews, busy, started = [], [], []
    for state in now.states:
        shift = now.on_shift(state)
        crews.append(replace(state.crew, position=state.place if shift else None))
        if shift and state.at is not None and state.free_min > now.now_min:
            left = max(state.expected_min - now.now_min, 1)
            name = f"at {state.crew.name}"
            busy.append(Visit(name, state.place, Minutes(left, left)))
            started.append(Started(name, state.crew.name, now.now_min))
    visits = [_within(call.visit, now.now_min, until) for call in now.open.values()]
    return Problem(
        now.now_min,
        until,
        tuple(_shifts_until(crew, until) for crew in crews),
        (*visits, *busy),
        now.month.travel,
        started=tuple(started),
        margin=MARGIN,
        weights=Weights(),
    )


def _shifts_until(crew: Crew, until: int) -> Crew:
    return replace(crew, shifts=tuple(s for s in crew.shifts if s.start_min < until))


def _within(visit: Visit, now: int, until: int) -> Visit:
    spans = [s for s in visit.access if s.stop_min > now and s.start_min < until]
    never = (Interval(until + HOUR, until + 2 * HOUR),)
    return replace(visit, access=(tuple(spans) or never) if visit.access else ())
