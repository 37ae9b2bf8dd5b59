"""A crew's visits as a calendar (RFC 5545): moments in UTC, texts folded and escaped by icalendar.

A visit keeps its UID from plan to plan, so that a calendar moves it instead of showing it twice;
SEQUENCE grows with the plan, and within it with what became of the visit.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from icalendar import Calendar, Event


@dataclass(frozen=True, slots=True)
class CalendarVisit:
    """One visit; moments are aware. ``words`` may have several lines."""

    uid: str
    sequence: int
    starts_at: dt.datetime
    ends_at: dt.datetime
    title: str
    where: str
    words: str
    is_missed: bool = False


def calendar_text(name: str, visits: Iterable[CalendarVisit], stamp: dt.datetime) -> bytes:
    """The calendar as bytes with CRLF line ends."""
    calendar = Calendar()
    calendar.add("prodid", "-//Clampline//Visits//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", name)
    for visit in visits:
        calendar.add_component(_event(visit, stamp))
    text: bytes = calendar.to_ical()
    return text


def _event(visit: CalendarVisit, stamp: dt.datetime) -> Event:
    event = Event()
    event.add("uid", visit.uid)
    event.add("sequence", visit.sequence)
    event.add("dtstamp", stamp.astimezone(dt.UTC))
    event.add("dtstart", visit.starts_at.astimezone(dt.UTC))
    event.add("dtend", visit.ends_at.astimezone(dt.UTC))
    event.add("summary", visit.title)
    event.add("location", visit.where)
    event.add("description", visit.words)
    event.add("status", "CANCELLED" if visit.is_missed else "CONFIRMED")
    return event
