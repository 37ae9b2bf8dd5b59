"""Crews' calendars, read by a library that did not write them."""

from __future__ import annotations

import datetime as dt
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import vobject
from django.core.cache import cache
from django.test import Client

from core import counting
from core.accounts.actor import Actor
from core.problems import NotFound
from faults.calendar_text import CalendarVisit, calendar_text
from faults.pages.calendars import MOST_A_MINUTE
from faults.services.calendar_addresses import (
    calendar_address_issue,
    calendar_address_revoke,
    calendar_of,
)
from faults.services.plan_publishing import plan_publish
from faults.services.visits import visit_move
from tests.planning.test_day_plans import at_dawn, made
from tests.planning.towns import a_call, a_crew

__all__ = ["at_dawn"]

STAMP = dt.datetime(2026, 3, 1, tzinfo=dt.UTC)
MADRID = ZoneInfo("Europe/Madrid")


def read(text: bytes) -> list[Any]:
    calendar = vobject.readOne(text.decode())
    assert calendar.version.value == "2.0"
    return list(getattr(calendar, "vevent_list", []))


def test_a_crew_reads_its_published_visits_and_what_was_missed(by: Actor, at_dawn: Any) -> None:
    crew = a_crew(by, "Ash")
    call = a_call(by, 1)
    _, secret = calendar_address_issue(crew=crew, by=by)
    assert read(calendar_of(secret)) == []
    plan = made(by)
    assert read(calendar_of(secret)) == [], "a draft is told to nobody"
    plan_publish(plan=plan, version=plan.version, by=by)
    visit = plan.visits.get()
    (event,) = read(calendar_of(secret))
    assert event.uid.value == f"call:{call.public_id}@clampline"
    assert event.dtstart.value == visit.starts_at
    assert event.dtend.value == visit.ends_at
    assert event.summary.value == "Fault: Court 1"
    assert event.location.value == "1 Mill Rd"
    assert "Power off and proved dead" in event.description.value
    before = int(event.sequence.value)
    visit_move(visit=visit, to="missed", why="gate shut", version=visit.version, by=by)
    (event,) = read(calendar_of(secret))
    assert event.status.value == "CANCELLED"
    assert int(event.sequence.value) > before


def test_what_was_done_stays_in_the_calendar_when_a_newer_plan_holds(
    by: Actor, at_dawn: Any
) -> None:
    crew = a_crew(by, "Ash")
    for number in (1, 2):
        a_call(by, number)
    _, secret = calendar_address_issue(crew=crew, by=by)
    plan = made(by)
    plan_publish(plan=plan, version=plan.version, by=by)
    first, second = plan.visits.order_by("starts_at")
    at_dawn.move_to(first.ends_at)
    first = visit_move(visit=first, to="started", version=first.version, by=by)
    visit_move(visit=first, to="done", version=first.version, by=by)
    again = made(by)
    plan_publish(plan=again, version=again.version, by=by)
    names = [one.uid.value.partition("@")[0] for one in read(calendar_of(secret))]
    assert names == [first.name, second.name]


def test_an_address_ends_at_once_and_is_kept_as_a_digest(by: Actor) -> None:
    address, secret = calendar_address_issue(crew=a_crew(by, "Ash"), by=by)
    assert secret not in address.secret_digest
    calendar_of(secret)
    calendar_address_revoke(address=address, by=by)
    for wrong in (secret, "", "x" * 43):
        with pytest.raises(NotFound):
            calendar_of(wrong)


def test_the_day_on_which_clocks_change_nights_and_odd_texts_are_read_back() -> None:
    """29 March 2026 in Madrid: clocks go from 02:00 to 03:00, so this visit has one hour."""
    starts = dt.datetime(2026, 3, 29, 1, 30, tzinfo=MADRID)
    ends = dt.datetime(2026, 3, 29, 3, 30, tzinfo=MADRID)
    words = "Gate; code 1,2\\3\nÜber die Brücke, " + "weit " * 40
    visit = CalendarVisit("call:1@clampline", 7, starts, ends, "Fault: A, B; C", "1, Rd", words)
    text = calendar_text("Crew, North", [visit], STAMP)
    assert all(len(line) <= 75 for line in text.split(b"\r\n")), "RFC 5545, 3.1"
    assert b"\n" not in text.replace(b"\r\n", b"")
    (event,) = read(text)
    assert event.dtend.value - event.dtstart.value == dt.timedelta(hours=1)
    assert event.dtstart.value.astimezone(MADRID).time() == dt.time(1, 30)
    assert event.summary.value == "Fault: A, B; C"
    assert event.description.value == words
    assert event.sequence.value == "7"


@pytest.mark.parametrize("method", ["get", "head"])
def test_the_address_answers_without_a_session_and_nothing_keeps_it(
    by: Actor, client: Client, method: str
) -> None:
    address, secret = calendar_address_issue(crew=a_crew(by, "Ash"), by=by)
    found = getattr(client, method)(f"/calendars/{secret}.ics")
    assert (found.status_code, found["Content-Type"]) == (200, "text/calendar; charset=utf-8")
    assert found["Cache-Control"] == "private, no-store"
    assert not found.cookies
    calendar_address_revoke(address=address, by=by)
    gone, never = (client.get(f"/calendars/{one}.ics") for one in (secret, "x" * 43))
    assert (gone.status_code, gone.content) == (404, never.content)
    assert client.post(f"/calendars/{secret}.ics").status_code == 405


def test_whoever_guesses_is_held_up(client: Client, db: None) -> None:
    cache.clear()
    statuses = [client.get(f"/calendars/{n}.ics").status_code for n in range(MOST_A_MINUTE + 2)]
    assert statuses[0] == 404
    assert statuses[-1] == 429
    cache.clear()


def test_whoever_guesses_behind_the_same_proxy_holds_up_nobody_else(
    client: Client, db: None, settings: Any
) -> None:
    settings.PROXIES = 1
    cache.clear()
    for n in range(MOST_A_MINUTE + 30):
        last = client.get(
            f"/calendars/{n}.ics", headers={"X-Forwarded-For": f"10.0.0.{n}, 192.0.2.1"}
        )
    assert last.status_code == 429
    other = client.get("/calendars/1.ics", headers={"X-Forwarded-For": "192.0.2.2"})
    assert other.status_code == 404
    cache.clear()


def test_without_a_cache_calendars_are_read_uncounted(
    client: Client, db: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    def away(*_: Any, **__: Any) -> None:
        raise ConnectionError("refused")

    monkeypatch.setattr(counting, "_away_until_s", 0.0)
    monkeypatch.setattr("core.counting.cache.add", away)
    assert client.get("/calendars/1.ics").status_code == 404
