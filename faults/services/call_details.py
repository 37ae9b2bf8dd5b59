"""What people say of a call when they report or change it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

from core.problems import Defect
from core.text_checks import line_defects
from faults.models.call import CallKind, FaultCall, Urgency
from faults.services.call_moves import MOST_WORDS
from sites.field_checks import day_defects

HOW_SOON = (Urgency.ROUTINE, Urgency.SOON, Urgency.URGENT)
MOST_STATIONS = 1000
MOST_STATION = 100_000


@dataclass(frozen=True)
class CallDetails:
    """What people say of a call, in the words of ``FaultCall``.

    ``contact`` is whom to ring on the way, ``access_hours`` when one is let in, both free text.
    """

    urgency: str = Urgency.SOON
    note: str = ""
    kind: str = CallKind.OVERCURRENT
    only_with_station: int | None = None
    dry_stations: tuple[int, ...] = ()
    after_rain: bool = False
    after_lightning: bool = False
    digging_nearby: bool = False
    promised_by: dt.datetime | None = None
    contact: str = ""
    access_hours: str = ""

    @classmethod
    def of(cls, call: FaultCall) -> CallDetails:
        """What is said of a call now."""
        said = {one.name: getattr(call, one.name) for one in fields(cls)}
        return cls(**said | {"dry_stations": tuple(call.dry_stations)})

    def onto(self, call: FaultCall) -> None:
        """Say it of a call, which is not stored here."""
        for one in fields(self):
            setattr(call, one.name, getattr(self, one.name))
        call.dry_stations = list(self.dry_stations)

    def with_report(self, report: CallDetails) -> CallDetails:
        """What is known after one more report: what was said stays, what was not is filled in,
        the higher urgency and the earlier promise hold, and stations are added to those named."""
        promises = [one for one in (self.promised_by, report.promised_by) if one is not None]
        stations = {*self.dry_stations, *report.dry_stations} if self.dry_stations else ()
        return replace(
            self,
            urgency=max(map(Urgency, (self.urgency, report.urgency)), key=HOW_SOON.index),
            only_with_station=self.only_with_station or report.only_with_station,
            dry_stations=tuple(sorted(stations)),
            after_rain=self.after_rain or report.after_rain,
            after_lightning=self.after_lightning or report.after_lightning,
            digging_nearby=self.digging_nearby or report.digging_nearby,
            promised_by=min(promises, default=None),
            contact=self.contact or report.contact,
            access_hours=self.access_hours or report.access_hours,
        )

    def told(self) -> dict[str, Any]:
        """The details as JSON can carry them, but for the contact: who is to be rung stands with
        the call alone, not in the record of changes that others read."""
        promised = self.promised_by.isoformat() if self.promised_by else None
        said = asdict(self) | {"dry_stations": list(self.dry_stations), "promised_by": promised}
        del said["contact"]
        return said

    def defects(self) -> Iterator[Defect]:
        """What does not fit, with JSON pointers."""
        if self.urgency not in Urgency.values:
            right = f"one of {', '.join(Urgency)}"
            yield Defect("/urgency", f"{self.urgency!r} is no urgency", right)
        if self.kind not in CallKind.values:
            yield Defect("/kind", f"{self.kind!r} is no kind", f"one of {', '.join(CallKind)}")
        if self.kind == CallKind.STATIONS and not self.dry_stations:
            yield Defect("/dry_stations", "no station is named", "those that do not water")
        if len(self.dry_stations) > MOST_STATIONS:
            yield Defect("/dry_stations", f"there are {len(self.dry_stations)}", "at most 1000")
        numbers = [(f"/dry_stations/{n}", one) for n, one in enumerate(self.dry_stations)]
        if self.only_with_station is not None:
            numbers.append(("/only_with_station", self.only_with_station))
        for pointer, station in numbers:
            if not 1 <= station <= MOST_STATION:
                yield Defect(pointer, f"{station} is no station", f"1 to {MOST_STATION}")
        yield from day_defects("/promised_by", self.promised_by)
        yield from line_defects("/note", self.note, MOST_WORDS)
        yield from line_defects("/contact", self.contact, 200)
        yield from line_defects("/access_hours", self.access_hours, 200)
