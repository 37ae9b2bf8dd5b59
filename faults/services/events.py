"""Taking reported events in, and the calls that follow from them."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Literal

from django.db import IntegrityError, transaction
from django.db.models import Prefetch

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.problems import Conflict, Defect, Problem, TooLarge
from core.text_checks import line_defects, refuse_defects
from faults.models.call import CallEvent, FaultCall
from faults.models.event import EventKind, FaultEvent
from faults.observation_body import digest
from faults.services.calls import Where
from faults.services.event_calls import CallsInHand, call_of_event
from faults.services.event_places import EventPlaces, event_places
from faults.services.waiting import wake_by_rain
from faults.services.work_rules import work_rules
from sites.field_checks import day_defects

MOST_ROWS = 1000
MOST_AHEAD = dt.timedelta(days=1)
"""Controllers' clocks are off by hours; a day ahead is a mistake."""
MOST_CURRENT_MA = 1_000_000.0
MOST_RAIN_MM = 2_000.0

_AT_ONCE = 100


@dataclass(frozen=True)
class EventReport:
    """What is told of an event.

    ``place`` (a property), ``controller`` and ``path`` are public ids; the narrowest one that is
    known is enough. ``external_id``: its name in the system that tells.
    """

    kind: str
    at: dt.datetime
    place: str = ""
    controller: str = ""
    path: str = ""
    note: str = ""
    current_ma: float | None = None
    rain_mm: float | None = None
    external_id: str = ""

    def defects(self) -> Iterator[Defect]:
        """What does not fit, with JSON pointers."""
        if self.kind not in EventKind.values:
            right = f"one of {', '.join(EventKind)}"
            yield Defect("/kind", f"{self.kind!r} is no kind of event", right)
        if unfit := list(day_defects("/at", self.at)):
            yield from unfit
        elif self.at > now() + MOST_AHEAD:
            yield Defect("/at", "this lies more than a day ahead", "when it happened")
        if not (self.place or self.controller or self.path):
            yield Defect("/path", "no place is named", "a path, controller or property")
        yield from line_defects("/note", self.note, 500)
        yield from line_defects("/external_id", self.external_id, 120)
        yield from _number_defects("/current_ma", self.current_ma, MOST_CURRENT_MA)
        yield from _number_defects("/rain_mm", self.rain_mm, MOST_RAIN_MM)
        if self.rain_mm is not None and self.kind != EventKind.RAIN:
            yield Defect("/rain_mm", "only rain has millimetres", "leave it out")

    def body_hash(self) -> str:
        """A digest of what is told, the same in whatever zone its time is written."""
        return digest(asdict(self) | {"at": self.at.astimezone(dt.UTC).isoformat()})


@dataclass(frozen=True)
class EventResult:
    """What became of a report: the event and the call it is on, or the problem with it."""

    state: Literal["created", "replayed", "refused"]
    event: FaultEvent | None = None
    call: FaultCall | None = None
    problem: Problem | None = None


def event_report(*, report: EventReport, by: Actor) -> EventResult:
    """Take one event in.

    An overcurrent without an open call on its path opens one; else it is linked and counted.
    Raises Invalid, Conflict where its external id was used for another report; the same again
    gives the same event.
    """
    refuse_defects("event", report.defects())
    with transaction.atomic():
        intake = _Intake.of([report], by)
        result = intake.take(report)
        intake.calls.store()
    return result


def events_report(*, reports: Sequence[EventReport], by: Actor) -> tuple[EventResult, ...]:
    """Take many events in, each as ``event_report`` does, and say what became of each.

    One that is refused holds no other up. Some hundred are stored together; if it is broken off,
    sending all again completes it without doubling those with an external id.
    Raises TooLarge for more than 1,000.
    """
    if len(reports) > MOST_ROWS:
        raise TooLarge(f"There are {len(reports)} events; send at most {MOST_ROWS} at once.")
    results: list[EventResult] = []
    for start in range(0, len(reports), _AT_ONCE):
        some = reports[start : start + _AT_ONCE]
        with transaction.atomic():
            intake = _Intake.of(some, by)
            results += [intake.result(report) for report in some]
            intake.calls.store()
    return tuple(results)


@dataclass(frozen=True)
class _Intake:
    """Some reports on their way in: the places they name, and the events that are there already
    by external id, each with its call, and the calls that are counted on."""

    places: EventPlaces
    there: dict[str, tuple[FaultEvent, FaultCall | None]]
    calls: CallsInHand
    by: Actor

    @classmethod
    def of(cls, reports: Sequence[EventReport], by: Actor) -> _Intake:
        """What these reports need, with at most seven queries and one an open call in hand."""
        there = _there({report.external_id for report in reports})
        places, calls = event_places(reports), CallsInHand(work_rules().fold_hours)
        paths = places.path_ids()
        if len(paths) > 1:
            calls.hold(paths)
        return cls(places, there, calls, by)

    def result(self, report: EventReport) -> EventResult:
        """What becomes of a report, the problem with it too."""
        try:
            refuse_defects("event", report.defects())
            return self.take(report)
        except Problem as problem:
            return EventResult("refused", problem=problem)

    def take(self, report: EventReport) -> EventResult:
        """Store a report that fits. Raises Invalid for its places, Conflict."""
        replayed = self._replayed(report)
        if replayed is not None:
            return replayed
        where = self.places.where(report)
        try:
            with transaction.atomic():
                event = _event_write(report, where, self.by)
                call = call_of_event(event=event, where=where, by=self.by, calls=self.calls)
                if call is not None:
                    CallEvent.objects.create(call=call, event=event)
                if event.kind == EventKind.RAIN:
                    wake_by_rain(event=event, by=self.by)
                _record(event, call, self.by)
        except IntegrityError:
            # The same report may have come in twice at once.
            self.there.update(_there({report.external_id}))
            again = self._replayed(report)
            if again is None:
                raise
            return again
        if report.external_id:
            self.there[report.external_id] = event, call
        return EventResult("created", event, call)

    def _replayed(self, report: EventReport) -> EventResult | None:
        if report.external_id not in self.there:
            return None
        event, call = self.there[report.external_id]
        if event.body_hash != report.body_hash():
            raise Conflict(
                f"The external id {report.external_id!r} was used for another event.",
                extra={"event": event.public_id},
            )
        return EventResult("replayed", event, call)


def _there(external_ids: set[str]) -> dict[str, tuple[FaultEvent, FaultCall | None]]:
    """The events of these external ids that are there, with their calls: at most two queries."""
    names = external_ids - {""}
    if not names:
        return {}
    links = Prefetch("call_links", CallEvent.objects.select_related("call"))
    events = FaultEvent.objects.filter(external_id__in=names).exclude(external_id="")
    return {
        event.external_id: (event, next((link.call for link in event.call_links.all()), None))
        for event in events.prefetch_related(links)
    }


def _event_write(report: EventReport, where: Where, by: Actor) -> FaultEvent:
    return FaultEvent.objects.create(
        property=where.place,
        controller=where.controller,
        path=where.path,
        kind=report.kind,
        at=report.at,
        received_at=now(),
        source_kind=by.kind,
        source_id=by.public_id,
        source_name=by.name,
        note=report.note,
        current_ma=report.current_ma,
        rain_mm=report.rain_mm,
        external_id=report.external_id,
        body_hash=report.body_hash(),
    )


def _record(event: FaultEvent, call: FaultCall | None, by: Actor) -> None:
    change_record(
        by=by,
        action="event.reported",
        thing=("event", event.public_id),
        thread_id=call.public_id if call else "",
        after={
            "kind": event.kind,
            "at": event.at.isoformat(),
            "property": event.property.public_id,
            "controller": event.controller.public_id if event.controller else None,
            "path": event.path.public_id if event.path else None,
            "call": call.public_id if call else None,
            "overcurrents": call.overcurrents if call else None,
        },
    )


def _number_defects(pointer: str, value: float | None, most: float) -> Iterator[Defect]:
    if value is not None and not (math.isfinite(value) and 0 <= value <= most):
        yield Defect(pointer, f"{value} is out of range", f"a number from 0 to {most:g}")
