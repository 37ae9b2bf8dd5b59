"""Crews, open calls and repairs to be looked at as a planning problem."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any
from zoneinfo import ZoneInfo

from core.clock import now
from faults.crew_hours import read_hours
from faults.dispatch.plan import Plan
from faults.dispatch.problem import (
    Crew,
    Locked,
    Problem,
    Promise,
    Started,
    Visit,
    VisitKind,
)
from faults.dispatch.shifts import WeeklyHours, access_of, local_minute, minute_of
from faults.dispatch.travel import Place, Travel, great_circle_travel
from faults.forms.day_plan import read_plan
from faults.hours_words import hours_said
from faults.models.call import FaultCall
from faults.models.dispatch import (
    CallNeeds,
    CrewCard,
    DayPlan,
    PlannedVisit,
    VisitState,
)
from faults.models.repair import SoakCheck, SoakState
from faults.selectors.call_urgency import call_dryness
from faults.selectors.day_plans import card_list
from faults.selectors.started_visits import shifts_left, started_within
from faults.selectors.trouble import inspections_of_week
from faults.selectors.visit_minutes import SOAK_LOOK, STRETCH_LOOK, CallMinutes
from faults.transitions import ENDED, CallState
from sites.models.property import Property

Document = dict[str, Any]
Begun = Mapping[str, dt.datetime | None]
"""Since when visits are under way, by name."""

POSITION_HOLDS = dt.timedelta(hours=4)
"""A crew's position told longer ago says nothing of where it is."""
LOOK_VALUE, SOAK_VALUE, CALL_VALUE = 90.0, 120.0, 480.0
DRY_SO_FAR, MOST_DRY_SO_FAR = 1.0, 2400.0
"""Worth of each dry station-hour so far; however many, less than this and less than a lock."""


@dataclass(frozen=True)
class Lock:
    """A visit that has to be with a crew, at a minute where one is given."""

    visit: str
    crew: str
    start_min: int | None = None


@dataclass(frozen=True)
class GivenTravel:
    """Minutes of driving as the user knows them: ``minutes[from][to]`` between places named by
    the public ids of properties and, for their bases, of crews."""

    places: tuple[str, ...]
    minutes: tuple[tuple[float, ...], ...]


@dataclass(frozen=True)
class PlanOptions:
    """How a plan is made. ``crews_off`` are public ids of crews that are not planned with; legs
    that ``travel`` does not give are driven by distance."""

    speed_km_h: float = 45.0
    road_factor: float = 1.3
    margin: float = 0.3
    crews_off: tuple[str, ...] = ()
    locks: tuple[Lock, ...] = ()
    travel: GivenTravel | None = None


@dataclass(frozen=True)
class DayProblem:
    """The problem, whose crews are named by public id and visits ``call:…``, ``soak:…`` and
    ``look:…``; and what could not be asked of it, with why."""

    problem: Problem
    unasked: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class _Wanted:
    """A visit, the property it is at, and the crew that it was given to by name, or none."""

    visit: Visit
    place: Property
    crew: str = ""


def day_problem(
    from_day: dt.date, days: int, options: PlanOptions, told: DayPlan | None = None
) -> DayProblem:
    """What has to be planned from a day on: at most thirteen queries, however many calls.

    ``told``: the published plan, whose started and locked visits stay.
    """
    window = [from_day + dt.timedelta(days=n) for n in range(days)]
    planned = [one for one in card_list() if one.crew.public_id not in options.crews_off]
    visits = list(PlannedVisit.objects.filter(plan=told).select_related("crew")) if told else []
    done = {one.name for one in visits if one.state == VisitState.DONE}
    begun = {one.name: one.state_at for one in visits if one.state == VisitState.STARTED}
    under_way = started_within(visits, planned, window)
    at = {one.visit for one in under_way.values()}
    ids = {card.crew.public_id for card in planned}
    # What a crew began on another day, or beside another visit, is its own and not planned.
    done |= {one.name for one in visits if one.crew.public_id in ids and one.name in begun} - at
    wanted = [one for one in _wanted(window, begun) if one.visit.name not in done]
    crews = [_crew(card, window, under_way.get(card.crew.public_id)) for card in planned]
    held = _held(visits, options, wanted, (ids, list(under_way.values())))
    unasked = [
        (one.visit.name, "the property has no position on the map")
        for one in wanted
        if one.place.lat is None
    ]
    known = [one for one in wanted if one.place.lat is not None]
    now_min = minute_of(now())
    problem = Problem(
        now_min=now_min,
        until_min=max([now_min + 1, *(_end_of(window, card) for card in planned)]),
        crews=tuple(crews),
        visits=tuple(one.visit for one in known),
        travel=_travel(_places(planned, known), options),
        started=tuple(one for one in held if isinstance(one, Started)),
        locked=tuple(one for one in held if isinstance(one, Locked)),
        margin=options.margin,
    )
    return DayProblem(problem, tuple(unasked))


def told_plan(told: DayPlan, problem: Problem) -> Plan:
    """What was told by a published plan, as far as it lies within the problem: routes in shifts
    that there still are, without visits that are done or were missed."""
    read = read_plan(told.answer["plan"])
    ended = PlannedVisit.objects.filter(
        plan=told, state__in=(VisitState.DONE, VisitState.MISSED)
    ).values_list("name", flat=True)
    gone = frozenset(ended)
    shifts = {crew.name: crew.shifts for crew in problem.crews}
    routes = []
    for route in read.routes:
        stops = tuple(stop for stop in route.stops if stop.visit not in gone)
        for number, shift in enumerate(shifts.get(route.crew, ())):
            if stops and shift.start_min <= route.start_min < shift.stop_min:
                routes.append(replace(route, shift=number, stops=stops))
    left_out = tuple(name for name in read.left_out if name not in gone)
    return replace(read, routes=tuple(routes), left_out=left_out)


def _end_of(window: Sequence[dt.date], card: CrewCard) -> int:
    zone = ZoneInfo(card.time_zone)
    return local_minute(window[-1] + dt.timedelta(days=1), dt.time(12), zone)


def _crew(card: CrewCard, window: Sequence[dt.date], begun: Started | None) -> Crew:
    fresh = card.position_at is not None and now() - card.position_at <= POSITION_HOLDS
    name = card.crew.public_id
    return Crew(
        name=name,
        base=f"base {name}",
        shifts=shifts_left(card, window, minute_of(now()), begun),
        people=card.people,
        skills=frozenset(card.skills),
        tools=frozenset(card.tools),
        parts=dict(card.parts),
        position=f"position {name}" if fresh else None,
    )


def _travel(places: dict[str, Place], options: PlanOptions) -> Travel:
    by_distance = great_circle_travel(
        places, speed_km_h=options.speed_km_h, road_factor=options.road_factor
    )
    if options.travel is None:
        return by_distance
    return by_distance.with_legs(read_travel(options.travel))


def read_travel(given: GivenTravel) -> Travel:
    """A user's matrix by names of the problem. Raises DispatchError where it is none."""
    names = [f"base {name}" if name.startswith("crew_") else name for name in given.places]
    return Travel.given(names, [list(row) for row in given.minutes])


def _places(cards: Sequence[CrewCard], wanted: Sequence[_Wanted]) -> dict[str, Place]:
    places = {}
    for card in cards:
        name = card.crew.public_id
        places[f"base {name}"] = Place(card.base_lat, card.base_lon)
        if card.position_lat is not None and card.position_lon is not None:
            places[f"position {name}"] = Place(card.position_lat, card.position_lon)
    for one in wanted:
        if one.place.lat is not None and one.place.lon is not None:
            places[one.place.public_id] = Place(one.place.lat, one.place.lon)
    return places


def _wanted(window: Sequence[dt.date], begun: Begun) -> list[_Wanted]:
    return [*_calls_wanted(window, begun), *_soak_checks_wanted(window), *_looks_wanted(window)]


def _calls_wanted(window: Sequence[dt.date], begun: Begun) -> Iterator[_Wanted]:
    open_calls = FaultCall.objects.exclude(state__in=list(ENDED)).select_related("property", "crew")
    calls = [
        call
        for call in open_calls.order_by("pk")
        if call.state != CallState.WAITING
        or (call.waits_until is not None and call.waits_until <= window[-1])
    ]
    dry = call_dryness(calls)
    needs = {one.call_id: one for one in CallNeeds.objects.filter(call__in=calls)}
    minutes_of = CallMinutes.of(calls)
    for call in calls:
        zone = ZoneInfo(call.property.time_zone)
        told = needs.get(call.pk) or CallNeeds()
        waits = call.waits_until if call.state == CallState.WAITING else None
        name = f"call:{call.public_id}"
        visit = Visit(
            name=name,
            place=call.property.public_id,
            minutes=minutes_of.visit(call, begun.get(name)),
            access=access_of(let_in(call, told), window, zone),
            earliest_min=local_minute(waits, dt.time(), zone) if waits else None,
            promise=Promise(minute_of(call.promised_by)) if call.promised_by else None,
            stations_dry=dry[call.pk].stations,
            value=CALL_VALUE + dry_so_far_value(dry[call.pk].station_hours),
            people=told.people,
            skills=frozenset(told.skills),
            tools=frozenset(told.tools),
            parts=dict(told.parts),
        )
        yield _Wanted(visit, call.property, call.crew.public_id if call.crew else "")


def let_in(call: FaultCall, needs: CallNeeds) -> list[WeeklyHours]:
    """When one is let in: as was said for planning, else by the report where it tells hours."""
    return read_hours(needs.access or hours_said(call.access_hours))


def dry_so_far_value(station_hours: float) -> float:
    """What the station-hours without water so far add to a call's worth: ever more, bounded."""
    worth = DRY_SO_FAR * station_hours
    return worth * MOST_DRY_SO_FAR / (worth + MOST_DRY_SO_FAR)


def _soak_checks_wanted(window: Sequence[dt.date]) -> Iterator[_Wanted]:
    checks = SoakCheck.objects.filter(state=SoakState.OPEN, due_from__lte=window[-1])
    related = checks.select_related("repair__call__property", "repair__call__needs")
    for check in related.order_by("pk"):
        call = check.repair.call
        place, needs = call.property, getattr(call, "needs", None) or CallNeeds()
        zone = ZoneInfo(place.time_zone)
        visit = Visit(
            name=f"soak:{check.public_id}",
            place=place.public_id,
            minutes=SOAK_LOOK,
            access=access_of(let_in(call, needs), window, zone),
            earliest_min=local_minute(check.due_from, dt.time(), zone),
            value=SOAK_VALUE,
            kind=VisitKind.SOAK_CHECK,
        )
        yield _Wanted(visit, place)


def _looks_wanted(window: Sequence[dt.date]) -> Iterator[_Wanted]:
    """Looks at trouble stretches whose week has come, fitted in where they pay."""
    looks = list(inspections_of_week(window[-1]))
    access = _access_of_properties({look.property_id for look in looks})
    for look in looks:
        zone = ZoneInfo(look.property.time_zone)
        week = look.planned_week
        visit = Visit(
            name=f"look:{look.public_id}",
            place=look.property.public_id,
            minutes=STRETCH_LOOK,
            access=access_of(read_hours(access.get(look.property_id, [])), window, zone),
            earliest_min=local_minute(week, dt.time(), zone) if week else None,
            value=LOOK_VALUE,
            kind=VisitKind.INSPECTION,
        )
        yield _Wanted(visit, look.property)


def _access_of_properties(pks: set[int]) -> dict[int, list[Any]]:
    """When the gate of each property is open, as was told with its newest call: one query."""
    rows = CallNeeds.objects.filter(call__property__in=pks).order_by("call_id")
    return dict(rows.values_list("call__property", "access"))


def _held(
    visits: Sequence[PlannedVisit],
    options: PlanOptions,
    wanted: Sequence[_Wanted],
    planned: tuple[set[str], list[Started]],
) -> list[Started | Locked]:
    """What stays: started visits, then locks asked for now, those of the told plan, and calls
    that were given to a crew."""
    names = {one.visit.name for one in wanted if one.place.lat is not None}
    crews, under_way = planned
    held: dict[str, Started | Locked] = {one.visit: one for one in under_way}
    for lock in options.locks:
        held.setdefault(lock.visit, Locked(lock.visit, lock.crew, lock.start_min))
    for one in visits:
        if one.is_locked and one.state not in (VisitState.DONE, VisitState.MISSED):
            start = minute_of(one.starts_at)
            held.setdefault(one.name, Locked(one.name, one.crew.public_id, start))
    for want in wanted:
        if want.crew:
            held.setdefault(want.visit.name, Locked(want.visit.name, want.crew))
    return [one for name, one in held.items() if name in names and one.crew in crews]
