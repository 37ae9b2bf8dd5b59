"""An invented month of calls over fifty properties, lived through the services."""

from __future__ import annotations

import datetime as dt
import math
import random
from collections import Counter
from dataclasses import dataclass, field, replace
from itertools import pairwise
from zoneinfo import ZoneInfo

import time_machine

from core.accounts.actor import Actor
from core.clock import now
from core.models import Change
from core.problems import Problem
from faults.models import CallEvent, CallMove, EventKind, FaultCall, FaultEvent
from faults.selectors.call_urgency import call_dryness
from faults.selectors.calls import call_list
from faults.services.as_left import as_left_answer
from faults.services.events import EventReport, event_report
from faults.services.partial_restores import RestoreDone, partial_restore_done
from faults.services.repairs import repair_record
from faults.services.waiting import calls_wake
from faults.transitions import WaitKind
from sites.models import WirePath
from sites.services.controllers import ControllerDetails, controller_create
from sites.services.properties import PropertyDetails, property_create
from tests.faults.leaving import answers_for
from tests.faults.places import path_on
from tests.repairs.field import REMADE, moved, return_test
from tests.tracing.drives import tree_path

PROPERTIES = 50
DAYS = 30
START = dt.datetime(2026, 6, 1, tzinfo=dt.UTC)
END = START + dt.timedelta(days=DAYS)
ZONES = ("Europe/Madrid", "America/Denver", "Australia/Adelaide", "Pacific/Honolulu")
HOURS_BETWEEN = 6
"""Between the rounds of a day; waiting calls are woken in each, as the schedule would."""


def fifty_paths(by: Actor) -> list[WirePath]:
    """Paths of seven stations each, at properties in four time zones."""
    survey = tree_path()
    devices = tuple(replace(one, stations=(n,)) for n, one in enumerate(survey.devices, 1))
    survey = replace(survey, devices=devices)
    paths = []
    for number in range(PROPERTIES):
        details = PropertyDetails(f"Court {number}", time_zone=ZONES[number % len(ZONES)])
        place = property_create(details=details, by=by)
        north = controller_create(place=place, details=ControllerDetails("North"), by=by)
        paths.append(path_on(north, by, survey))
    return paths


def work_on(call: FaultCall, rng: random.Random, by: Actor) -> None:
    """Something that is done to a call in a round, as its state allows."""
    lot = rng.random()
    if call.state in ("reported", "planned") and lot < 0.15:
        until = now().date() + dt.timedelta(days=rng.randint(1, 9))
        moved(call, "waiting", by, until=until, wait_kind=rng.choice(list(WaitKind)))
    elif call.state in ("reported", "planned") and lot < 0.30 and not call.partly_restored:
        done = RestoreDone(({"device": "D5"},), (5,), 22.0)
        partial_restore_done(call=call, done=done, version=call.version, by=by)
    elif call.state == "reported" and lot < 0.6:
        moved(call, "planned", by)
    elif call.state == "planned" and lot < 0.6:
        moved(call, "repairing", by)
    elif call.state == "repairing":
        repair_record(call=call, details=REMADE, by=by)
        moved(call, "return-testing", by)
    elif call.state == "return-testing":
        finish(call, rng, by)


def finish(call: FaultCall, rng: random.Random, by: Actor) -> None:
    """Test and close; what was left off is put back for it, as a rule."""
    answer = "restored" if rng.random() < 0.9 else "kept"
    if answer == "restored":
        moved(call, "repairing", by)
        restore_all(call, by)
        moved(call, "return-testing", by)
    test = return_test(call, by)
    untested = "" if test.passed else "left off until parts come"
    moved(call, "closed", by, outcome="repaired", untested_why=untested)


def restore_all(call: FaultCall, by: Actor) -> None:
    as_left_answer(call=call, answers=answers_for(call, "restored", ""), by=by)


@dataclass(frozen=True)
class Waits:
    """Waits by how they stand at the month's end. ``day_came``: those of which the day came while
    they waited; ``missed``: of these, woken on another day or not at all; ``by_rain``: woken by
    rain before their day; ``to_come``: their day lies beyond the month."""

    begun: int
    day_came: int
    on_their_day: int
    missed: int
    by_rain: int
    to_come: int


@dataclass(frozen=True)
class Figures:
    """What a month came to. ``linked``: messages on a call; ``lost``: messages by the world's own
    book that no call answers for (``World.lost``), and calls that are on no list though open, on
    one though ended, closed without a test or a reason, or waiting past their day;
    ``station_hours``: stations without water times hours; ``refused``: moves that were."""

    calls: int
    closed: int
    messages: int
    linked: int
    lost: int
    waits: Waits
    station_hours: float
    refused: int


@dataclass
class World:
    """What happened on the ground, kept apart from what the product stored: each message by a name
    of its own, with its path."""

    told: dict[str, int] = field(default_factory=dict)

    def message(self, path: WirePath, by: Actor) -> None:
        """The controller of a path tells an overcurrent."""
        name = f"seen-{len(self.told) + 1}"
        self.told[name] = path.pk
        seen = EventReport("overcurrent", now(), path=path.public_id, external_id=name)
        event_report(report=seen, by=by)

    def lost(self) -> list[str]:
        """Messages that are not in exactly one call of their path that was closed on a passed test
        or with a reason, waits for a day to come with a reason, or is open for somebody to do; and
        paths whose calls count another number of messages than there were."""
        calls_of: dict[str, list[FaultCall]] = {name: [] for name in self.told}
        for link in CallEvent.objects.select_related("event", "call__closing_test"):
            calls_of.setdefault(link.event.external_id, []).append(link.call)
        lost = [
            name
            for name, calls in calls_of.items()
            if len(calls) != 1
            or calls[0].path_id != self.told.get(name)
            or not _answers_for(calls[0])
        ]
        counted = Counter[int]()
        for path, count in FaultCall.objects.values_list("path", "overcurrents"):
            counted[path or 0] += count
        there = Counter(self.told.values())
        return lost + [f"path {path}" for path in there | counted if there[path] != counted[path]]


def _answers_for(call: FaultCall) -> bool:
    if call.state == "closed":
        tested = call.closing_test is not None and call.closing_test.passed
        return bool(call.outcome and call.outcome_reason and (tested or call.untested_why))
    if call.state == "waiting":
        return bool(call.wait_reason and call.wait_kind and call.waits_until)
    return call.state != "cancelled"


def a_month(seed: int, by: Actor) -> Figures:
    """Live through it, four rounds a day; the same seed gives the same month."""
    rng = random.Random(seed)
    with time_machine.travel(START, tick=False):
        paths = fifty_paths(by)
    refused, world = 0, World()
    for step in range(DAYS * 24 // HOURS_BETWEEN):
        with time_machine.travel(START + dt.timedelta(hours=HOURS_BETWEEN * step), tick=False):
            calls_wake(by=by)
            refused += a_round(paths, world, rng, by)
    with time_machine.travel(END, tick=False):
        calls_wake(by=by)
        return figures(refused, world)


def a_round(paths: list[WirePath], world: World, rng: random.Random, by: Actor) -> int:
    """Messages, rain and work of a quarter of a day; how many moves were refused."""
    refused = 0
    for path in rng.sample(paths, 3):
        if rng.random() < 0.5:
            world.message(path, by)
    if rng.random() < 0.1:
        place = rng.choice(paths).controller.property.public_id
        event_report(report=EventReport("rain", now(), place=place), by=by)
    for call in list(call_list()):
        if rng.random() < 0.4:
            try:
                work_on(call, rng, by)
            except Problem:
                refused += 1
    return refused


def figures(refused: int, world: World) -> Figures:
    """Counted from the rows, and what is lost against the world's own book."""
    calls = list(FaultCall.objects.select_related("property"))
    listed = {call.pk for call in call_list()}
    messages = FaultEvent.objects.filter(kind=EventKind.OVERCURRENT)
    linked = messages.filter(call_links__isnull=False).distinct()
    return Figures(
        calls=len(calls),
        closed=sum(call.state == "closed" for call in calls),
        messages=len(world.told),
        linked=linked.count(),
        lost=len(world.lost()) + sum(is_lost(call, is_listed=call.pk in listed) for call in calls),
        waits=waits_of({call.pk: ZoneInfo(call.property.time_zone) for call in calls}),
        station_hours=math.fsum(one.station_hours for one in call_dryness(calls).values()),
        refused=refused,
    )


def is_lost(call: FaultCall, *, is_listed: bool) -> bool:
    """Whether nobody would come to a call, or it ended without what it has to have."""
    today = now().astimezone(ZoneInfo(call.property.time_zone)).date()
    return (
        (call.closed_at is None) != is_listed
        or (call.state == "waiting") != (call.waits_until is not None)
        or (call.waits_until is not None and call.waits_until <= today)
        or (call.state == "closed" and not (call.closing_test_id or call.untested_why))
    )


def waits_of(zone_of: dict[int, ZoneInfo]) -> Waits:
    """Each wait held against its day, by the clock of its property."""
    moves = list(CallMove.objects.order_by("call", "pk"))
    days, told = waiting_days(), Counter[str]()
    for move, after in pairwise([*moves, None]):
        if move is None or move.to_state != "waiting":
            continue
        told["begun"] += 1
        zone, day = zone_of[move.call_id], days[move.pk]
        ended = after if after is not None and after.call_id == move.call_id else None
        until = (now() if ended is None else ended.at).astimezone(zone).date()
        if until < day:
            told["to come" if ended is None else "by rain"] += 1
            assert ended is None or ended.why == "woken: rain was reported", ended.why
        else:
            told["day came"] += 1
            woken = ended is not None and "the day has come" in ended.why
            told["on its day" if woken and until == day else "missed"] += 1
    names = ("begun", "day came", "on its day", "missed", "by rain", "to come")
    return Waits(*(told[name] for name in names))


def waiting_days() -> dict[int, dt.date]:
    """The day each wait was to end, by the move that began it, from the record of changes."""
    begun = CallMove.objects.filter(to_state="waiting").order_by("pk")
    told = Change.objects.filter(action="call.moved", after__state="waiting").order_by("pk")
    return {
        move.pk: dt.date.fromisoformat(change.after["until"])
        for move, change in zip(begun, told, strict=True)
    }
