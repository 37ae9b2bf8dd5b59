"""An invented month of calls, worked off in three ways: by plan, nearest first, oldest first.

All three see the same calls, promises, crews and true minutes of work, which come to light only
as the work is done. A crew that has set out goes through with it. Crews take no breaks here.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from faults.dispatch.problem import Crew, Interval, Minutes, Promise, Shift, Visit
from faults.dispatch.travel import Place, Travel, great_circle_travel

HOUR, DAY = 60, 1440
OPENS_H, CLOSES_H = 7, 16
SKILLS = ("splicing", "controllers")
MARGIN = 0.3
LONGEST_WAIT_MIN = 30


@dataclass(frozen=True, slots=True)
class Call:
    """A call, when it came, and how long its work will truly take."""

    visit: Visit
    came_min: int
    true_minutes: int


@dataclass(frozen=True, slots=True)
class Month:
    """Crews, calls in order of their coming, travel; ``days`` of work from day 0 on."""

    crews: tuple[Crew, ...]
    calls: tuple[Call, ...]
    travel: Travel
    days: int


def invented_month(
    seed: int, *, days: int = 20, crews: int = 5, calls_a_day: float = 30.0
) -> Month:
    """A month that depends on its arguments alone: about as many calls as crews can manage."""
    rng = np.random.default_rng([20, seed])
    places = {"base": Place(38.5, -1.2)}
    shifts = tuple(Shift(d * DAY + OPENS_H * HOUR, d * DAY + CLOSES_H * HOUR) for d in range(days))
    staff = tuple(
        Crew(f"crew {n}", "base", shifts, skills=frozenset(SKILLS[: 1 + n % 3]))
        for n in range(crews)
    )
    calls: list[Call] = []
    for day in range(days - 1):
        for minute in sorted(rng.integers(0, 16 * HOUR, rng.poisson(calls_a_day))):
            number = len(calls)
            lat, lon = rng.uniform(-0.16, 0.16, 2)
            places[f"place {number}"] = Place(38.5 + float(lat), -1.2 + float(lon))
            calls.append(_call(rng, number, (day, day * DAY + int(minute)), days))
    return Month(staff, tuple(calls), great_circle_travel(places), days)


def _call(rng: np.random.Generator, number: int, came: tuple[int, int], days: int) -> Call:
    day, came_min = came
    p50, ratio = float(rng.integers(20, 80)), float(rng.uniform(1.2, 2.5))
    true = p50 * np.exp(np.log(ratio) / 1.2815515655446004 * rng.standard_normal())
    dry = int(rng.choice([0, 4, 12, 40], p=[0.2, 0.4, 0.3, 0.1]))
    urgent = dry == 40
    early = came_min < day * DAY + 12 * HOUR
    by = day * DAY + CLOSES_H * HOUR if urgent and early else (day + 1) * DAY + 12 * HOUR
    if not urgent:
        by += int(rng.choice([0, 4, 24])) * HOUR
    opens, closes = ((7, 19), (8, 12), (12, 17), (7, 15))[int(rng.integers(0, 4))]
    access = tuple(Interval(d * DAY + opens * HOUR, d * DAY + closes * HOUR) for d in range(days))
    visit = Visit(
        name=f"call {number}",
        place=f"place {number}",
        minutes=Minutes(p50, p50 * ratio),
        access=access if rng.random() < 0.5 else (),
        promise=Promise(by),
        stations_dry=dry,
        skills=frozenset(SKILLS[int(rng.integers(0, 2)) :][:1])
        if rng.random() < 0.35
        else frozenset(),
    )
    return Call(visit, came_min, max(round(true), 5))


@dataclass(slots=True)
class CrewState:
    """Where a crew is, since when it is free (by plan, in truth), and what it is at."""

    crew: Crew
    place: str = "base"
    free_min: int = 0
    expected_min: int = 0
    driven_min: int = 0
    at: Call | None = None


@dataclass(slots=True)
class Field:
    """The state of a month: open calls and crews; who has set out cannot be called back."""

    month: Month
    now_min: int = 0
    open: dict[str, Call] = field(default_factory=dict)
    states: list[CrewState] = field(default_factory=list)
    started: dict[str, int] = field(default_factory=dict)
    done: dict[str, int] = field(default_factory=dict)

    def on_shift(self, state: CrewState) -> Shift | None:
        """The shift that a crew is in now."""
        return next(
            (s for s in state.crew.shifts if s.start_min <= self.now_min < s.stop_min), None
        )

    def idle(self) -> list[CrewState]:
        """Crews on shift with nothing to do."""
        return [s for s in self.states if s.free_min <= self.now_min and self.on_shift(s)]

    def start_if_sent(self, state: CrewState, call: Call) -> int | None:
        """When the work would start if the crew set out now; None if it cannot be today."""
        shift = self.on_shift(state)
        visit, travel = call.visit, self.month.travel
        if shift is None or not visit.skills <= state.crew.skills:
            return None
        minutes = visit.minutes.planned(MARGIN)
        start = self.now_min + travel.between(state.place, visit.place)
        for span in visit.access or (Interval(0, self.month.days * DAY),):
            begin = max(start, span.start_min)
            if begin + minutes <= span.stop_min:
                home = travel.between(visit.place, state.crew.base)
                return begin if begin + minutes + home <= shift.stop_min else None
        return None

    def send(self, state: CrewState, call: Call, start_min: int) -> None:
        """The crew sets out; it is free once the work is truly done."""
        drive = self.month.travel.between(state.place, call.visit.place)
        state.driven_min += drive
        state.place, state.at = call.visit.place, call
        state.expected_min = start_min + call.visit.minutes.planned(MARGIN)
        state.free_min = start_min + call.true_minutes
        del self.open[call.visit.name]
        self.started[call.visit.name] = start_min
        self.done[call.visit.name] = state.free_min


class Way:
    """A way to work off calls: asked at every event to send crews out."""

    def act(self, now: Field, *, news: bool) -> int | None:
        """Send crews out; a minute at which to be asked again, if there is one."""
        raise NotImplementedError


class Simple(Way):
    """Sends idle crews to the nearest call, or to the oldest with the nearest crew."""

    def __init__(self, *, oldest_first: bool) -> None:
        self.oldest_first = oldest_first

    def act(self, now: Field, *, news: bool) -> int | None:  # noqa: ARG002 - it needs none
        """Send out whoever can start within half an hour of arriving."""
        while True:
            pairs = []
            for state in now.idle():
                for call in now.open.values():
                    start = now.start_if_sent(state, call)
                    drive = now.month.travel.between(state.place, call.visit.place)
                    if start is None or start - drive - now.now_min > LONGEST_WAIT_MIN:
                        continue
                    age = call.came_min if self.oldest_first else 0
                    pairs.append((age, drive, call.visit.name, state.crew.name, state, call, start))
            if not pairs:
                return now.now_min + LONGEST_WAIT_MIN if now.open and now.idle() else None
            *_, state, call, start = min(pairs, key=lambda pair: pair[:4])
            now.send(state, call, start)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a way made of a month. Dry hours from the call to the end of its work."""

    promises: int
    kept: int
    dry_station_hours: float
    drive_min: int
    done: int
    overtime_min: int


def work_off(month: Month, way: Way) -> Outcome:
    """Work off a month in one way."""
    now = Field(month, states=[CrewState(crew) for crew in month.crews])
    events = [(call.came_min, 1, number) for number, call in enumerate(month.calls)]
    events += [(s.start_min, 0, -1) for s in month.crews[0].shifts]
    events += [(s.stop_min, 3, -1) for s in month.crews[0].shifts]
    heapq.heapify(events)
    overtime = 0
    while events:
        now.now_min, kind, number = heapq.heappop(events)
        if kind == 1:
            now.open[month.calls[number].visit.name] = month.calls[number]
        if kind == 3:
            overtime += _home(now)
        waits = [state.free_min for state in now.states]
        again = way.act(now, news=kind != 2)
        for state, before in zip(now.states, waits, strict=True):
            if state.free_min != before:
                heapq.heappush(events, (state.free_min, 2, -1))
        if again is not None and again > now.now_min:
            heapq.heappush(events, (again, 2, -1))
    return _outcome(now, overtime)


def _home(now: Field) -> int:
    """All crews drive home at the shift's end; minutes that they come home after it."""
    late = 0
    for state in now.states:
        home = now.month.travel.between(state.place, state.crew.base)
        back = max(state.free_min, now.now_min if state.place == state.crew.base else 0) + home
        late += max(back - now.now_min, 0) if state.place != state.crew.base else 0
        state.driven_min += home
        state.place, state.at = state.crew.base, None
    return late


def _outcome(now: Field, overtime: int) -> Outcome:
    calls: Sequence[Call] = now.month.calls
    end = now.month.days * DAY
    kept = sum(
        c.visit.name in now.started and now.started[c.visit.name] <= c.visit.promise.by_min
        for c in calls
        if c.visit.promise
    )
    dry = sum(
        c.visit.stations_dry * (now.done.get(c.visit.name, end) - c.came_min) / 60.0 for c in calls
    )
    drive = sum(state.driven_min for state in now.states)
    return Outcome(len(calls), kept, round(dry, 1), drive, len(now.done), overtime)
