"""Days of crews on pages: who may what, how much is asked of the database, words and drawings."""

from __future__ import annotations

from typing import Any

import pytest
from django.forms import ValidationError
from django.test import Client

from core.accounts.actor import Actor, Role
from core.accounts.people import crew_create
from core.models import Contractor, Person
from faults.hours_words import hours_words
from faults.models import DayPlan, PlanState, VisitState
from faults.pages.day_drawing import LEFT, WIDTH
from faults.pages.day_names import DayNames
from faults.pages.planning_fields import HoursField, PartsField
from faults.selectors.day_plans import plan_get
from faults.services.plan_publishing import plan_publish
from tests.api.test_query_budgets import queries
from tests.conftest import person_of
from tests.pages.conftest import Entering, text_of
from tests.planning.test_day_plans import at_dawn, made
from tests.planning.towns import HOURS, a_call, a_crew

__all__ = ["at_dawn"]

FRESH = {"follow": True}


@pytest.fixture
def supervisor(contractor: Contractor, enter: Entering) -> Client:
    return enter(person_of(contractor, Role.SUPERVISOR, "Nils"))


@pytest.fixture
def draft(by: Actor, at_dawn: Any) -> DayPlan:
    for name in ("Ash crew", "Birch crew"):
        a_crew(by, name)
    for number in range(3):
        a_call(by, number)
    return made(by)


@pytest.mark.slow
def test_a_technician_reads_plans_and_changes_none(
    draft: DayPlan, browser: Client, supervisor: Client
) -> None:
    page = browser.get(f"/days/{draft.public_id}")
    assert "Court 1" in text_of(page)
    assert "Publish this plan" not in text_of(page)
    for word in ("publish", "move", "take-back", "call-off"):
        answer = browser.post(f"/days/{draft.public_id}/{word}", {"version": draft.version})
        assert answer.status_code == 403
    assert plan_get(draft.public_id).state == PlanState.DRAFT
    assert "Publish this plan" in text_of(supervisor.get(f"/days/{draft.public_id}"))


@pytest.mark.slow
def test_a_day_is_drawn_within_its_hours_and_asked_for_in_few_queries(
    draft: DayPlan, supervisor: Client, by: Actor
) -> None:
    address = f"/days/{draft.public_id}"
    supervisor.get(address)
    few = queries(lambda: supervisor.get(address))
    page = supervisor.get(address)
    view = page.context["view"]
    blocks = [block for row in view.timeline.rows for block in row.blocks]
    assert len(blocks) == draft.visits.count()
    for block in blocks:
        assert LEFT <= block.span.x <= block.span.x + block.span.width <= LEFT + WIDTH + 0.2
    for row in view.timeline.rows:
        for one, two in zip(row.blocks, row.blocks[1:], strict=False):
            assert one.span.x + one.span.width <= two.span.x + 0.2
            assert two.after == one.visit.name
    spots = {
        number for way in view.map.ways for spot in way.spots for number in spot.text.split(", ")
    }
    assert spots <= {str(number) for number in range(1, 4)}
    for number in range(3, 7):
        a_call(by, number)
    more = made(by)
    many = queries(lambda: supervisor.get(f"/days/{more.public_id}"))
    assert more.visits.count() > draft.visits.count()
    # What is left out is looked up once more, however many.
    assert many <= few + 1 <= 10


@pytest.mark.slow
def test_a_visit_is_told_once_and_what_lacked_comes_back_on_the_list(
    draft: DayPlan, browser: Client, supervisor: Client, technician: Person, by: Actor
) -> None:
    supervisor.post(f"/days/{draft.public_id}/publish", {"version": draft.version})
    visit = draft.visits.order_by("starts_at").first()
    assert visit is not None
    visit.crew.members.add(technician)
    assert browser.get("/days/mine")["Location"].endswith(f"/crews/{visit.crew.public_id}")
    assert 'href="/days/mine"' in browser.get("/days").content.decode()
    day = f"/days/{draft.public_id}/crews/{visit.crew.public_id}"
    assert "spare decoder" in text_of(browser.get(day))
    said = {"version": visit.version, "to": "started"}
    for _ in range(2):
        assert browser.post(f"/visits/{visit.public_id}/say", said).status_code == 302
    visit.refresh_from_db()
    assert (visit.state, visit.version) == (VisitState.STARTED, said["version"] + 1)
    missed = {"version": visit.version, "to": "missed", "why": "", "lacked": "ladder"}
    answer = browser.post(f"/visits/{visit.public_id}/say", missed, follow=True)
    assert "a missed visit wants a reason" in text_of(answer)
    missed["why"] = "the gate was shut"
    answer = browser.post(f"/visits/{visit.public_id}/say", missed, follow=True)
    assert "Missed: the gate was shut." in text_of(answer)
    again = made(by)
    later = again.visits.get(name=visit.name)
    page = browser.get(f"/days/{again.public_id}/crews/{later.crew.public_id}")
    assert "ladder lacked last time" in text_of(page)


@pytest.mark.slow
def test_two_plans_are_held_side_by_side(draft: DayPlan, supervisor: Client, by: Actor) -> None:
    plan_publish(plan=draft, version=draft.version, by=by)
    other = made(by)
    page = supervisor.get(f"/days/{other.public_id}/against?to={draft.public_id}")
    assert "3 are alike in crew and time" in text_of(page)


@pytest.mark.slow
def test_asking_twice_with_one_form_asks_once(supervisor: Client, by: Actor, at_dawn: Any) -> None:
    crew = a_crew(by, "Ash crew")
    page = supervisor.get("/days")
    fields = {"asked_at": page.context["form"]["asked_at"].value(), "from_day": "2026-06-01"}
    fields |= {"days": "1", "crews_off": crew.public_id}
    first = supervisor.post("/days", fields)
    assert first["Location"] == supervisor.post("/days", fields)["Location"]
    assert DayPlan.objects.count() == 1
    waits = supervisor.get(first["Location"])
    assert "It waits for its turn." in text_of(waits)
    plan = DayPlan.objects.get()
    supervisor.post(f"/days/{plan.public_id}/call-off")
    plan.job.refresh_from_db()
    assert plan.job.state == "cancelled"


def test_a_technician_reads_a_crew_s_card(browser: Client, supervisor: Client, by: Actor) -> None:
    where = f"/crews/{a_crew(by, 'Ash crew').public_id}/card"
    page = browser.get(where)
    assert "mon-sun 07:30-16:00" in text_of(page)
    assert "Supervisors and owners set it" in text_of(page)
    assert "<input" not in page.content.decode().partition("<main")[2].partition("</main>")[0]
    assert 'name="hours"' in supervisor.get(where).content.decode()
    bare = crew_create(name="Birch crew", members=[], by=by)
    assert "It has no card yet" in text_of(browser.get(f"/crews/{bare.public_id}/card"))


def test_who_is_in_no_crew_is_told(browser: Client, by: Actor) -> None:
    crew_create(name="Ash crew", members=[], by=by)
    assert "No plan holds yet" in text_of(browser.get("/days/mine"))


def test_hours_are_read_as_they_are_written() -> None:
    text = "mon-sun 07:30-16:00, rest 30 min 11:30-13:00"
    assert hours_words(HOURS) == text
    assert HoursField().clean(text) == HOURS
    two = "mon-wed 07:00-15:00\nfri 20:00-04:00"
    assert hours_words(HoursField().clean(two)) == two
    for wrong in ("monday 07:00-15:00", "wed-mon 07:00-15:00", "mon 7-15"):
        with pytest.raises(ValidationError, match="cannot be read"):
            HoursField().clean(wrong)


def test_parts_are_counts_and_words() -> None:
    assert PartsField().clean("4 splice kit, 1 decoder") == {"splice kit": 4, "decoder": 1}
    with pytest.raises(ValidationError, match="does not fit"):
        PartsField().clean("splice kit")


def test_sentences_name_crews_and_visits() -> None:
    names = DayNames({"crew_1a": "Ash crew"}, {"call:call_2b": "Court 1, North"})
    text = "crew_1a would be 10 min too late to begin call:call_2b, and crew_9 is gone."
    assert names.in_words(text) == (
        "Ash crew would be 10 min too late to begin Court 1, North, and "
        "a crew that is no longer there is gone."
    )
