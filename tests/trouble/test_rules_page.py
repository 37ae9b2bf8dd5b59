"""Rules for looks, days without work and seasons, as pages and the API set them."""

from __future__ import annotations

import datetime as dt
from itertools import pairwise
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.test import Client
from hypothesis import given
from hypothesis import strategies as st

from core.accounts.actor import Actor
from core.models import Change, Person
from core.pages.days import SpansField, days_of_spans, span_lines, spans_of_days
from core.tenancy.scope import contractor_scope
from faults.models import Inspection, InspectionRules
from faults.recurrence.levelling import WeekRules
from faults.services.inspection_rules import inspection_rules
from faults.services.inspection_weeks import monday_of, waits_for_season, week_of
from sites.models import Controller
from sites.selectors.properties import season_list
from tests.api.asking import signed_in
from tests.faults.places import path_at_new_place
from tests.pages.conftest import entered, text_of

PAGE = "/inspections/rules"
GOOD = {
    "version": "0",
    "weekly_capacity": "6",
    "look_at_chance": "25",
    "path_look_at_chance": "12.5",
    "holidays": "2026-12-24 to 2027-01-01\n2026-08-15",
}

days = st.dates(dt.date(2024, 1, 1), dt.date(2027, 12, 31))


@given(st.lists(days, max_size=40))
def test_days_are_the_same_after_they_were_written_and_read(some: list[dt.date]) -> None:
    spans = list(spans_of_days(some))
    assert days_of_spans(spans) == sorted(set(some))
    assert all(one[1] + dt.timedelta(days=1) < other[0] for one, other in pairwise(spans))
    assert SpansField().clean(span_lines(spans)) == spans


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ("2026-12-24\n\nChristmas", "line 3: “Christmas” is no day"),
        ("2026-02-30", "line 1: there is no such day"),
        ("2027-01-01 to 2026-12-24", "the later day last"),
        ("2026-12-24, Christmas", "is no day"),
        ("2026-12-24 to 2056-12-24", "within ten years"),
    ],
)
def test_a_line_that_is_no_day_is_told(lines: str, told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        SpansField().clean(lines)


def posted(client: Client, **changes: str) -> HttpResponse:
    found: Any = client.post(PAGE, GOOD | changes)
    return found


def held(by: Actor) -> InspectionRules:
    with contractor_scope(by.contractor_id):
        return inspection_rules()


def test_a_supervisor_sets_the_rules_and_sent_twice_they_are_set_once(
    by: Actor, supervisor: Person
) -> None:
    client = entered(supervisor)
    assert "Room" in text_of(client.get(PAGE))
    assert posted(client).status_code == 302
    assert posted(client).status_code == 302
    rules = held(by)
    assert (rules.version, rules.weekly_capacity) == (1, 6)
    assert (rules.look_at_chance, rules.path_look_at_chance) == (0.25, 0.125)
    assert (rules.holidays[0], rules.holidays[-1], len(rules.holidays)) == (
        "2026-08-15",
        "2027-01-01",
        10,
    )
    change = Change.objects.get(action="inspection-rules.set")
    assert change.after["path_look_at_chance"] == 0.125
    page = client.get(PAGE).content.decode()
    assert "2026-08-15\n2026-12-24 to 2027-01-01</textarea>" in page
    assert 'value="12.5"' in page
    # What another has set meanwhile is not written over.
    stale = posted(client, weekly_capacity="7")
    assert stale.status_code == 412
    assert "read them again" in text_of(stale)
    assert held(by).weekly_capacity == 6
    assert posted(client, version="1", path_look_at_chance="").status_code == 302
    assert held(by).path_look_at_chance is None


@pytest.mark.parametrize(
    ("name", "value", "told"),
    [
        ("weekly_capacity", "0", "greater than or equal to 1"),
        ("look_at_chance", "0.5", "right: 1 to 90"),
        ("look_at_chance", "", "right: fill it in"),
        ("path_look_at_chance", "91", "right: 1 to 90"),
        ("path_look_at_chance", "1,200", "without a comma"),
        ("holidays", "soon", "is no day"),
        ("holidays", "2024-01-01 to 2024-12-31", "at most 200"),
    ],
)
def test_what_does_not_fit_is_told_at_its_field(
    by: Actor, supervisor: Person, name: str, value: str, told: str
) -> None:
    answer = posted(entered(supervisor), **{name: value})
    assert answer.status_code == 422
    assert told in text_of(answer)
    assert held(by).version == 0


def test_technicians_and_auditors_read_the_rules_and_set_none(
    by: Actor, technician: Person, auditor: Person
) -> None:
    for person in (technician, auditor):
        client = entered(person)
        page = client.get(PAGE)
        assert "Supervisors and owners set them" in text_of(page)
        assert b"weekly_capacity" not in page.content
        assert posted(client).status_code == 403
    assert held(by).version == 0


def test_the_api_and_the_page_set_the_same(by: Actor, supervisor: Person, owner: Person) -> None:
    assert posted(entered(owner)).status_code == 302
    machine = signed_in(supervisor)
    found = machine.get("/inspection-rules")
    assert found.json()["path_look_at_chance"] == 0.125
    body = {"weekly_capacity": 4, "look_at_chance": 0.2, "holidays": ["2026-12-25"]}
    assert machine.put("/inspection-rules", body | {"path_look_at_chance": 1.5}).status_code >= 400
    answer = machine.put("/inspection-rules", body, If_Match=found["ETag"])
    assert answer.status_code == 200
    assert answer.json() == body | {"path_look_at_chance": None}
    page = text_of(entered(supervisor).get(PAGE))
    assert "2026-12-25" in page


def test_a_look_past_its_day_tells_where_it_waits_for_the_season() -> None:
    due = dt.date(2026, 12, 24)
    first, waters = week_of(dt.date(2026, 11, 26)), week_of(dt.date(2027, 3, 15))
    rules = WeekRules(first, lambda week: 1, lambda place, week: place == 2 or week >= waters)
    looks = [
        Inspection(pk=1, property_id=1, due_on=due, planned_week=monday_of(waters)),
        # It watered before, and had no room; and these two are planned in time, and not yet.
        Inspection(pk=2, property_id=2, due_on=due, planned_week=monday_of(waters)),
        Inspection(pk=3, property_id=1, due_on=due, planned_week=monday_of(week_of(due))),
        Inspection(pk=4, property_id=1, due_on=due, planned_week=None),
    ]
    assert waits_for_season(looks, rules) == {1}


def seasons(controller: Controller) -> list[tuple[str, str, str]]:
    return [(f"{one.starts_on}", f"{one.ends_on}", one.note) for one in season_list(controller)]


def test_seasons_are_set_on_their_page_and_shown_with_the_rules(
    by: Actor, supervisor: Person, technician: Person
) -> None:
    controller = path_at_new_place(by).controller
    client, page = entered(supervisor), f"/controllers/{controller.public_id}/seasons"
    assert "all year" in text_of(client.get(PAGE))
    said = {"version": "1", "seasons": "2026-09-01 to 2026-10-31, second\n2026-03-01 to 2026-06-30"}
    assert client.post(page, said).status_code == 302
    assert client.post(page, said).status_code == 302
    right = [("2026-03-01", "2026-06-30", ""), ("2026-09-01", "2026-10-31", "second")]
    assert seasons(controller) == right
    assert "1 Mar 2026 to 30 Jun 2026" in text_of(client.get(PAGE))
    over = client.post(page, {"version": "2", "seasons": said["seasons"] + "\n2026-06-01"})
    assert over.status_code == 422
    assert "overlaps" in text_of(over)
    stale = {"version": "1", "seasons": "2026-03-01 to 2026-06-30"}
    assert client.post(page, stale).status_code == 412
    other = entered(technician)
    assert "second" in text_of(other.get(page))
    assert other.post(page, {"version": "2", "seasons": ""}).status_code == 403
    assert seasons(controller) == right
    assert client.post(page, {"version": "2", "seasons": ""}).status_code == 302
    assert seasons(controller) == []
