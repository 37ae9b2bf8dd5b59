"""One day of a plan as its page shows it: gathered from what the plan saw, said and told."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from faults.dispatch.by_hand import Moved
from faults.models.call import FaultCall
from faults.models.dispatch import CrewCard, DayPlan, PlannedVisit
from faults.pages.day_drawing import (
    DayMap,
    DayPart,
    LatLon,
    Timeline,
    day_map,
    moment,
    timeline,
)
from faults.pages.day_names import DayNames
from faults.selectors.day_plans import visit_list, visit_place

Document = dict[str, Any]

FIGURE_WORDS = {
    "visits_planned": "visits planned",
    "visits_left_out": "visits left out",
    "promises_kept": "promises kept",
    "promises_broken": "promises broken",
    "dry_station_hours": "stations × hours dry",
    "drive_min": "minutes of driving",
    "work_min": "minutes of work",
    "wait_min": "minutes of waiting",
    "crews_used": "crews out",
    "visits_moved": "told visits moved",
}
MOST_SHIFTED = 5
"""So many visits that begin at another time are named."""


@dataclass(frozen=True)
class StopLine:
    """A visit in a crew's list: its chance to be in time, None where nothing was promised."""

    visit: PlannedVisit
    number: int
    label: str
    zone: str
    chance: float | None
    why: str


@dataclass(frozen=True)
class CrewLine:
    """A crew's day as a list."""

    public_id: str
    name: str
    stops: tuple[StopLine, ...]
    back_at: dt.datetime
    drive_min: int
    chance_home: float


@dataclass(frozen=True)
class LeftOutLine:
    """What is in nobody's day, why, and what it would take; whether it was planned with at all."""

    name: str
    label: str
    why: str
    would_take: str
    was_asked: bool = True


@dataclass(frozen=True)
class ChangeLine:
    """What is otherwise than before."""

    label: str
    kind: str
    before: str
    after: str
    why: str


@dataclass(frozen=True)
class FigureLine:
    """A figure before and after."""

    words: str
    before: float
    after: float

    @property
    def changed(self) -> bool:
        """Whether it is another."""
        return self.before != self.after


@dataclass(frozen=True)
class DayView:
    """All of one day."""

    part: DayPart
    names: DayNames
    timeline: Timeline
    map: DayMap | None
    crews: tuple[CrewLine, ...]
    left_out: tuple[LeftOutLine, ...]


def zone_of(plan: DayPlan, cards: Sequence[CrewCard]) -> ZoneInfo:
    """The zone in which a plan's days begin: that of its first crew."""
    planned = {one["name"] for one in plan.saw.get("problem", {}).get("crews", [])}
    own = [one for one in cards if one.crew.public_id in planned] or list(cards)
    return ZoneInfo(own[0].time_zone) if own else ZoneInfo("UTC")


def day_view(plan: DayPlan, day: dt.date, cards: Sequence[CrewCard], names: DayNames) -> DayView:
    """A made plan's day: three queries."""
    zone = zone_of(plan, cards)
    visits = {one.name: one for one in visit_list(plan=plan)}
    routes = [
        route
        for route in plan.answer["plan"]["routes"]
        if moment(route["start_min"]).astimezone(zone).date() == day
    ]
    part = DayPart(day, zone, tuple(routes), tuple(plan.saw["problem"]["crews"]), visits)
    left_out = _left_out(plan, names)
    labels = {name: visit_place(one).name for name, one in visits.items()}
    places = _places(visits, labels, [one.name for one in left_out])
    bases = {one.crew.public_id: (one.base_lat, one.base_lon) for one in cards}
    used = {route["crew"] for route in routes}
    return DayView(
        part=part,
        names=names,
        timeline=timeline(part, names.crews, labels),
        map=day_map(
            part,
            names.crews,
            {crew: where for crew, where in bases.items() if crew in used},
            {n: p for n, p in places.items() if n not in visits or _is_in(routes, n)},
            [one.name for one in left_out],
        ),
        crews=_crew_lines(plan, part, names),
        left_out=left_out,
    )


def _is_in(routes: Sequence[Document], name: str) -> bool:
    return any(stop["visit"] == name for route in routes for stop in route["stops"])


def _places(
    visits: dict[str, PlannedVisit], labels: dict[str, str], left_out: Sequence[str]
) -> dict[str, tuple[str, LatLon]]:
    found: dict[str, tuple[str, LatLon]] = {}
    for name, visit in visits.items():
        place = visit_place(visit)
        if place.lat is not None and place.lon is not None:
            found[name] = (labels[name], (place.lat, place.lon))
    ids = [name.partition(":")[2] for name in left_out if name.startswith("call:")]
    for call in FaultCall.objects.filter(public_id__in=ids).select_related("property"):
        place = call.property
        if place.lat is not None and place.lon is not None:
            found[f"call:{call.public_id}"] = (place.name, (place.lat, place.lon))
    return found


def _left_out(plan: DayPlan, names: DayNames) -> tuple[LeftOutLine, ...]:
    unasked = [
        LeftOutLine(
            one["visit"],
            names.visit(one["visit"]),
            f"{one['why'].capitalize()}.",
            "",
            was_asked=False,
        )
        for one in plan.saw.get("unasked", [])
    ]
    others = [
        LeftOutLine(
            one["visit"],
            names.visit(one["visit"]),
            names.in_words(one["text"]),
            names.in_words(one["would_take"]),
        )
        for one in plan.answer["left_out"]
    ]
    return (*unasked, *others)


def _crew_lines(plan: DayPlan, part: DayPart, names: DayNames) -> tuple[CrewLine, ...]:
    risks = {(one["crew"], one["shift"]): one for one in plan.answer.get("risks", [])}
    lines = []
    for route in part.routes:
        if not route["stops"]:
            continue
        risk = risks.get((route["crew"], route["shift"]), {})
        chances = {one["visit"]: one["chance_kept"] for one in risk.get("stops", [])}
        stops = []
        for number, stop in enumerate(route["stops"], 1):
            visit = part.visits[stop["visit"]]
            promised = visit.call is not None and visit.call.promised_by is not None
            chance = chances.get(stop["visit"]) if promised else None
            stops.append(
                StopLine(
                    visit=visit,
                    number=number,
                    label=names.visit(stop["visit"]),
                    zone=visit_place(visit).time_zone,
                    chance=chance,
                    why=names.in_words(visit.why),
                )
            )
        lines.append(
            CrewLine(
                public_id=route["crew"],
                name=names.crew(route["crew"]),
                stops=tuple(stops),
                back_at=moment(route["back_min"]),
                drive_min=route["drive_min"],
                chance_home=float(risk.get("chance_home_in_time", 1.0)),
            )
        )
    return tuple(lines)


def change_lines(rows: Sequence[Document], names: DayNames, zone: ZoneInfo) -> list[ChangeLine]:
    """Changes of a plan, or differences of two, in words."""
    return [
        ChangeLine(
            label=names.visit(one["visit"]),
            kind=one["kind"],
            before=_placed(names, one["crew_before"], one["start_before_min"], zone),
            after=_placed(names, one["crew_after"], one["start_after_min"], zone),
            why=names.in_words(one.get("why", "")),
        )
        for one in rows
    ]


def _placed(names: DayNames, crew: str | None, minute: int | None, zone: ZoneInfo) -> str:
    if minute is None:
        return "–"
    return f"{names.crew(crew)}, {moment(minute).astimezone(zone):%a %H:%M}"


def figure_lines(rows: Sequence[Document]) -> list[FigureLine]:
    """Figures before and after that have words."""
    return [
        FigureLine(FIGURE_WORDS[one["name"]], one["before"], one["after"])
        for one in rows
        if one["name"] in FIGURE_WORDS
    ]


def move_lines(moved: Moved, crew: str, names: DayNames, zone: ZoneInfo) -> list[str]:
    """What a move by hand does, sentence by sentence."""
    lines = ["It is in nobody’s day then."]
    if moved.stop is not None:
        start = moment(moved.stop.start_min).astimezone(zone)
        stop = moment(moved.stop.finish_min).astimezone(zone)
        when = f"on {start:%a} from {start:%H:%M} to {stop:%H:%M}"
        lines = [f"{names.crew(crew)} has it {when}, {moved.stop.drive_min} min of driving before."]
    shifted = sorted(moved.shifted, key=lambda one: one.start_after_min)
    for one in shifted[:MOST_SHIFTED]:
        late = one.start_after_min - one.start_before_min
        start = moment(one.start_after_min).astimezone(zone)
        word = "later" if late > 0 else "earlier"
        lines.append(f"{names.visit(one.visit)} begins {abs(late)} min {word}, at {start:%H:%M}.")
    more = len(shifted) - MOST_SHIFTED
    if more > 0:
        lines.append(f"{more} more visit{'s' if more > 1 else ''} of these crews shift too.")
    for figure in moved.figures:
        words = FIGURE_WORDS.get(figure.name)
        if words and figure.change:
            lines.append(f"{words.capitalize()}: {figure.before:g}, then {figure.after:g}.")
    return lines
