"""Years of looks through the real services and rows: each Monday the night's run asks and plans,
the week's looks are done, skipped or put off, and paths fail at random.

What became of each look is kept beside the rows and held against them.
"""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter, defaultdict
from dataclasses import dataclass, field

import numpy as np
from django.db import transaction

from core.accounts.actor import Actor
from core.clock import as_of
from core.models import Change
from faults.models import Finding, Inspection, InspectionState, Trace, TroubleFlag
from faults.services.calls import Where, call_open
from faults.services.inspection_ends import inspection_done, inspection_skip
from faults.services.inspection_rules import LookRules, inspection_rules_set
from faults.services.recurrence_runs import run_search, run_store
from faults.services.traces import trace_start
from faults.trouble_search import PathFigures
from sites.models import Node, Segment, WirePath
from sites.services.controllers import SeasonDays, season_set
from tests.faults.places import path_at_new_place, path_on

FIRST_MONDAY = dt.date(2021, 1, 4)
A_YEAR, BAD_A_YEAR = 0.45, 2.5
"""Failures of a sound path, and of the bad stretch of one in twenty."""

PUT_OFF, SKIPPED, WORN, FAULT = 0.12, 0.06, 0.1, 0.05
DAYS_AHEAD, REST_DAYS = 28, 28

OFF_WEEKS = (17, 33)
"""Weeks of a year without work; the Monday of each thirteenth week is off too."""


@dataclass(frozen=True)
class Asked:
    """How many paths for how many weeks, the looks of a week and the chance at which paths without
    a flag are due."""

    paths: int = 40
    weeks: int = 260
    capacity: int = 3
    target: float = 0.15
    seed: int = 4


@dataclass
class Told:
    """What became of looks: the week of each that was done or skipped, by id; the week each fell
    due; what else there was; and what should not be: each count is 0 where all is well.

    ``paths_without_look``: paths of which it was asked at the end whether one was forgotten."""

    done: dict[str, int] = field(default_factory=dict)
    skipped: dict[str, int] = field(default_factory=dict)
    due: dict[str, int] = field(default_factory=dict)
    open: set[str] = field(default_factory=set)
    withdrawn: set[str] = field(default_factory=set)
    of_paths: int = 0
    flags: int = 0
    failures: int = 0
    put_off: int = 0
    paths_without_look: int = 0
    wrong: Counter[str] = field(default_factory=Counter)


def holidays(weeks: int) -> list[dt.date]:
    """Days without work."""
    found = []
    for week in range(weeks + 52):
        monday = FIRST_MONDAY + dt.timedelta(weeks=week)
        if week % 52 in OFF_WEEKS:
            found += [monday + dt.timedelta(days=n) for n in range(5)]
        elif week % 13 == 6:
            found.append(monday)
    return found


class LookYears:
    """A contractor's years, week by week."""

    def __init__(self, asked: Asked, by: Actor) -> None:
        self.asked, self.by = asked, by
        self.told = Told()
        self._rng = np.random.default_rng(asked.seed)
        self._off = set(holidays(asked.weeks))
        self._figures = PathFigures()
        with as_of(dt.datetime.combine(FIRST_MONDAY, dt.time(), dt.UTC)):
            self._begin()

    def _begin(self) -> None:
        """Two paths a property; every other property waters from March to October alone."""
        self.seasonal: set[int] = set()
        self.paths: list[WirePath] = []
        for number in range(self.asked.paths // 2):
            first = path_at_new_place(self.by)
            self.paths += [first, path_on(first.controller, self.by, label="Path 2")]
            if number % 2:
                days = [
                    SeasonDays(dt.date(year, 3, 1), dt.date(year, 10, 31), "")
                    for year in range(2021, 2028)
                ]
                controller = first.controller
                season_set(
                    controller=controller, version=controller.version, seasons=days, by=self.by
                )
                self.seasonal |= {controller.property_id}
        self.traces = []
        for path in self.paths:
            call = call_open(where=Where.of_path(path), by=self.by)
            self.traces.append(trace_start(call=call, by=self.by))
        cables = list(Segment.objects.filter(path=self.paths[0]).order_by("pk"))
        self._bad = [{"segment": cables[3].code}, {"splice": cables[3].to_code}]
        splices = Node.objects.filter(path=self.paths[0]).exclude(kind="controller")
        self._places = [{"segment": one.code} for one in cables]
        self._places += [{"splice": one.code} for one in splices]
        rules = LookRules(
            weekly_capacity=self.asked.capacity,
            look_at_chance=0.2,
            holidays=sorted(self._off),
            path_look_at_chance=self.asked.target,
        )
        inspection_rules_set(rules=rules, version=0, by=self.by)

    def run(self) -> Told:
        """All weeks."""
        for week in range(self.asked.weeks):
            monday = FIRST_MONDAY + dt.timedelta(weeks=week)
            night = dt.datetime.combine(monday, dt.time(6), dt.UTC)
            with as_of(night):
                self._night(night)
            self.check_plan(monday)
            with as_of(night + dt.timedelta(days=1)):
                self._work(week, monday)
            self._fail(night + dt.timedelta(days=2))
        self.check_end(night + dt.timedelta(days=7))
        return self.told

    def _night(self, at: dt.datetime) -> None:
        search = run_search({"as_of": at.isoformat()})
        with transaction.atomic():
            run_store(search=search, job_id=None, by=self.by)
        self._figures = search.by_path

    def room(self, monday: dt.date) -> int:
        """Looks of a week, by hand."""
        working = sum(monday + dt.timedelta(days=n) not in self._off for n in range(5))
        return 0 if not working else max(1, self.asked.capacity * working // 5)

    def _closed(self, look: Inspection, monday: dt.date) -> bool:
        """Whether its property does not water in any day of a week."""
        days = [monday + dt.timedelta(days=n) for n in range(7)]
        return look.property_id in self.seasonal and not any(3 <= day.month <= 10 for day in days)

    def check_plan(self, monday: dt.date) -> None:
        """The plan of all open looks as it stands in a week."""
        looks = list(Inspection.objects.filter(state=InspectionState.OPEN))
        wrong = self.told.wrong
        load = Counter(look.planned_week for look in looks)
        wrong["not planned"] += load.pop(None, 0)
        for week, count in load.items():
            wrong["over capacity"] += max(count - self.room(week or monday), 0)
            wrong["in the past"] += (week or monday) < monday
        wrong["closed"] += sum(
            self._closed(look, look.planned_week) for look in looks if look.planned_week
        )
        live = TroubleFlag.objects.exclude(state="cleared")
        flagged = set(live.values_list("path", flat=True))
        per = Counter((look.path_id, look.flag_id) for look in looks)
        wrong["doubled"] += sum(count - 1 for count in per.values())
        wrong["beside a flag"] += sum(
            look.flag_id is None and look.path_id in flagged for look in looks
        )

    def _work(self, week: int, monday: dt.date) -> None:
        """The week's looks: most are done, some put off to the next plan, some skipped."""
        due = Inspection.objects.filter(state=InspectionState.OPEN, planned_week=monday)
        for look in due.order_by("pk"):
            luck = self._rng.uniform()
            if luck < PUT_OFF:
                self.told.put_off += 1
                continue
            ended = self.told.skipped if luck < PUT_OFF + SKIPPED else self.told.done
            self.told.wrong["ended twice"] += (
                look.public_id in self.told.done or look.public_id in self.told.skipped
            )
            ended[look.public_id] = week
            if ended is self.told.skipped:
                why = "Nobody let us in"
                inspection_skip(look=look, why=why, version=look.version, by=self.by)
                continue
            luck = self._rng.uniform()
            result = "fault" if luck < FAULT else "worn" if luck < FAULT + WORN else "sound"
            inspection_done(look=look, result=result, version=look.version, by=self.by)

    def _fail(self, at: dt.datetime) -> None:
        """Paths fail at random while they water; one in twenty has a bad stretch."""
        for number, path in enumerate(self.paths):
            waters = path.controller.property_id not in self.seasonal or 3 <= at.month <= 10
            if waters and self._rng.uniform() < A_YEAR / 52.0:
                self._failed(self.traces[number], self._places, at)
            if waters and number % 20 == 0 and self._rng.uniform() < BAD_A_YEAR / 52.0:
                self._failed(self.traces[number], self._bad, at)

    def _failed(self, trace: Trace, places: list[dict[str, str]], at: dt.datetime) -> None:
        place = places[int(self._rng.integers(len(places)))]
        self.told.failures += 1
        Finding.objects.create(
            trace=trace, at=place, kind="short", chance=1.0, proved=True, basis=[], made_at=at
        )

    def check_end(self, at: dt.datetime) -> None:
        """Rows against what was done, against the record of changes, and none that is missing."""
        with as_of(at):
            self._night(at)
        told, wrong = self.told, self.told.wrong
        looks = list(Inspection.objects.order_by("pk"))
        changes = Change.objects.filter(object_kind="inspection")
        acts = Counter(changes.values_list("object_id", "action"))
        wrong["acted twice"] += sum(count - 1 for count in acts.values())
        told_asked = {look for look, action in acts if action == "inspection.asked"}
        told_ended = {look for look, action in acts if action != "inspection.asked"}
        wrong["asked and no row"] += len(told_asked ^ _ids(looks))
        wrong["ended and no record"] += len(
            told_ended ^ _ids([look for look in looks if look.state != "open"])
        )
        by_state = defaultdict(list)
        numbers = defaultdict(list)
        for look in looks:
            by_state[look.state].append(look)
            numbers[look.flag_id, look.path_id].append(look.number)
            told.due[look.public_id] = (look.due_on - FIRST_MONDAY).days // 7
            told.of_paths += look.flag_id is None
        wrong["number missing"] += sum(
            sorted(own) != list(range(1, len(own) + 1)) for own in numbers.values()
        )
        told.open, told.withdrawn = _ids(by_state["open"]), _ids(by_state["withdrawn"])
        wrong["done and not so"] += len(_ids(by_state["done"]) ^ told.done.keys())
        wrong["skipped and not so"] += len(_ids(by_state["skipped"]) ^ told.skipped.keys())
        silent = [one for one in (*by_state["skipped"], *by_state["withdrawn"]) if not one.note]
        wrong["ended without a reason"] += len(silent)
        wrong["of no state"] += len(looks) - sum(
            len(by_state[name]) for name in ("done", "skipped", "withdrawn", "open")
        )
        told.flags = TroubleFlag.objects.count()
        wrong["past its chance and not asked for"] += self.forgotten(at)

    def forgotten(self, at: dt.datetime) -> int:
        """Paths that water all year, without a flag and without an open look, whose chance of a
        failure since the last one or the last look comes to the target in good time."""
        held = set(Inspection.objects.filter(state="open").values_list("path", flat=True))
        held |= set(TroubleFlag.objects.exclude(state="cleared").values_list("path", flat=True))
        count = 0
        for number, path in enumerate(self.paths):
            if path.pk in held or path.controller.property_id in self.seasonal:
                continue
            self.told.paths_without_look += 1
            done = Inspection.objects.filter(path=path, state="done").order_by("-ended_at").first()
            failed = Finding.objects.filter(trace=self.traces[number]).order_by("-made_at").first()
            moments = [done.ended_at if done else None, failed.made_at if failed else None]
            since = max([one for one in moments if one is not None], default=path.created_at)
            count += self._chance(path.pk, since, at) >= self.asked.target
        return count

    def _chance(self, path: int, since: dt.datetime, at: dt.datetime) -> float:
        """Of a failure until two days before a look would be asked for: a gamma mixed Poisson."""
        n = self._figures.paths.index(path)
        days = (at - since).total_seconds() / 86400.0 + DAYS_AHEAD - 2.0
        ahead = days * self._figures.expected[n] / self._figures.energised_days[n]
        if self._figures.spread == 0.0:
            return -math.expm1(-ahead)
        shape = 1.0 / self._figures.spread
        rate = shape + self._figures.expected[n]
        own = shape + self._figures.failures[n]
        return float(1.0 - (rate / (rate + ahead)) ** own)


def _ids(looks: list[Inspection]) -> set[str]:
    return {look.public_id for look in looks}
