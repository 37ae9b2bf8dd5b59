"""What plans know without being told: the engine's minutes, hours of a report, where crews are."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
import time_machine
from django.db import connection
from django.test.utils import CaptureQueriesContext

from core.accounts.actor import Actor
from faults.crew_hours import hours_defects
from faults.hours_words import hours_said, hours_words, read_hours_words
from faults.models import CrewCard, FaultCall, PathEstimate
from faults.selectors import visit_minutes
from faults.selectors.day_plans import visits_done
from faults.selectors.day_problem import PlanOptions, day_problem
from faults.services import path_estimates
from faults.services.crew_cards import CallWants, call_needs_set
from faults.services.path_estimates import estimates_of_open_calls
from faults.services.plan_publishing import plan_publish
from faults.services.traces import problem_known
from faults.services.visits import visit_move
from faults.tracing.session import begin
from faults.transitions import CallState
from sites.models import Property
from tests.planning.test_day_plans import MONDAY, made
from tests.planning.towns import a_call, a_crew

pytestmark = pytest.mark.django_db


@pytest.fixture
def at_dawn() -> Any:
    with time_machine.travel(MONDAY, tick=False) as traveller:
        yield traveller


def minutes_of(call: FaultCall) -> visit_minutes.Minutes:
    seen = day_problem(MONDAY.date(), 1, PlanOptions()).problem
    return next(one.minutes for one in seen.visits if one.name == f"call:{call.public_id}")


def test_a_call_that_nobody_traced_takes_what_the_engine_says_of_its_path(
    by: Actor, at_dawn: Any
) -> None:
    a_crew(by, "Ash")
    call = a_call(by, 1)
    assert call.path is not None
    unknown = minutes_of(call)
    assert estimates_of_open_calls() == 1
    step = begin(problem_known(call.path, {})).step
    rest = visit_minutes.work_minutes(CallState.RETURN_TESTING, visit_minutes.UNTRACED, 60.0)
    known = minutes_of(call)
    assert known.p50 == pytest.approx(step.remaining_p50_min + 60.0 + rest.p50)
    assert known.p90 > known.p50
    assert unknown.p50 == visit_minutes.UNTRACED.p50 + 60.0 + rest.p50
    assert estimates_of_open_calls() == 0, "it is kept"


def test_an_estimate_is_made_anew_when_the_map_or_the_engine_changed(
    by: Actor, at_dawn: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    call = a_call(by, 1)
    estimates_of_open_calls()
    PathEstimate.objects.update(revision=0)
    assert estimates_of_open_calls() == 1
    monkeypatch.setattr(path_estimates, "ENGINE", "another")
    assert estimates_of_open_calls() == 1
    assert PathEstimate.objects.get().path == call.path


def test_one_plan_waits_only_so_long_for_estimates(by: Actor, at_dawn: Any) -> None:
    calls = [a_call(by, number) for number in range(3)]
    assert estimates_of_open_calls(most_s=0.0) == 0
    assert estimates_of_open_calls() == len({call.path_id for call in calls})


def test_more_calls_cost_a_plan_no_more_queries(by: Actor, at_dawn: Any) -> None:
    a_crew(by, "Ash")
    a_call(by, 1)
    plan = made(by)

    def asked() -> int:
        with CaptureQueriesContext(connection) as asked_for:
            day_problem(MONDAY.date(), 1, PlanOptions(), plan)
        return len(asked_for)

    few = asked()
    for number in range(2, 6):
        a_call(by, number)
    estimates_of_open_calls()
    assert asked() == few <= 13


def test_hours_of_a_report_keep_a_visit_while_one_is_let_in(by: Actor, at_dawn: Any) -> None:
    a_crew(by, "Ash")
    call = a_call(by, 1)
    FaultCall.objects.filter(pk=call.pk).update(access_hours="Mon-fri 13:00-15:00; sat 09:00-10:00")

    def spans() -> list[int]:
        seen = day_problem(MONDAY.date(), 1, PlanOptions()).problem
        (visit,) = [one for one in seen.visits if one.name == f"call:{call.public_id}"]
        return [span.stop_min - span.start_min for span in visit.access]

    assert spans() == [120]
    hours = [{"weekday": day, "start": "09:00", "stop": "12:00"} for day in range(5)]
    call_needs_set(call=call, wants=CallWants(access=hours), version=0, by=by)
    assert spans() == [180], "what is said for planning holds"


@pytest.mark.parametrize("words", ["ring the warden first", "mon 25:00-26:00", "mon-fri"])
def test_other_words_keep_nobody_away(by: Actor, at_dawn: Any, words: str) -> None:
    assert hours_said(words) == []


def test_hours_are_read_as_they_are_written() -> None:
    text = "mon-thu 07:30-16:00, rest 30 min 11:30-13:00\nfri 07:30-12:00"
    rows = read_hours_words(text)
    assert not list(hours_defects("", rows))
    assert hours_words(rows) == text
    assert read_hours_words(text.upper().replace("\n", " ; ")) == rows


def test_a_visit_that_ended_while_its_call_is_open_is_told(by: Actor, at_dawn: Any) -> None:
    a_crew(by, "Ash")
    call = a_call(by, 1)
    plan = made(by)
    visit = plan_publish(plan=plan, version=plan.version, by=by).visits.get()
    assert visits_done([call]) == {}
    visit = visit_move(visit=visit, to="started", version=visit.version, by=by)
    assert visits_done([call]) == {}
    visit_move(visit=visit, to="done", version=visit.version, by=by)
    assert visits_done([call])[call.pk].pk == visit.pk
    again = made(by)
    plan_publish(plan=again, version=again.version, by=by)
    assert (again.visits.count() > 0) == (visits_done([call]) == {}), "another is planned"


def test_who_begins_a_visit_is_at_its_place(by: Actor, at_dawn: Any) -> None:
    crew = a_crew(by, "Ash")
    call = a_call(by, 1)
    plan = made(by)
    visit = plan_publish(plan=plan, version=plan.version, by=by).visits.get()
    at_dawn.move_to(visit.starts_at)
    visit_move(visit=visit, to="started", version=visit.version, by=by)
    card, place = CrewCard.objects.get(crew=crew), Property.objects.get(pk=call.property_id)
    assert (card.position_lat, card.position_lon) == (place.lat, place.lon)
    assert card.position_at == visit.starts_at
    at_dawn.shift(dt.timedelta(hours=2))
    visit.refresh_from_db()
    visit_move(visit=visit, to="missed", version=visit.version, why="the gate was shut", by=by)
    card.refresh_from_db()
    assert card.position_at == visit.starts_at, "who missed it may be anywhere"
