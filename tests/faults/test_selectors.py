"""Lists cost as many queries for two rows as for twenty."""

from __future__ import annotations

from typing import Any

import pytest
from pytest_django import DjangoAssertNumQueries

from core.accounts.actor import Actor
from core.problems import NotFound
from faults.selectors import calls, events, traces
from faults.services.events import EventReport, event_report
from tests.faults.hunts import Hunt, played_bodies, rehearsal_of
from tests.faults.places import path_at_new_place
from tests.faults.test_events import closed, seen

pytestmark = pytest.mark.slow

_, BODIES = played_bodies(rehearsal_of())


def call_words(row: Any) -> str:
    controller = row.controller.name if row.controller else ""
    return f"{row.property.name} {controller} {row.path} {row.overcurrents}"


def event_words(row: Any) -> str:
    on = [link.call.public_id for link in row.call_links.all()]
    return f"{row.property.name} {row.controller} {row.path} {on}"


def trace_words(row: Any) -> str:
    return f"{row.call.public_id} {row.path.controller.property.name} {row.standing['stage']}"


def finding_words(row: Any) -> str:
    return f"{row.trace.path.label} {row.at}"


LISTS = [
    (calls.call_list, call_words, 1),
    (events.event_list, event_words, 2),
    (traces.trace_list, trace_words, 1),
    (traces.finding_list, finding_words, 1),
]


def hunted(by: Actor) -> Hunt:
    hunt = Hunt(by)
    event_report(report=seen(hunt.trace.path), by=by)
    hunt.send_all(BODIES)
    return hunt


@pytest.mark.parametrize(("rows", "words", "queries"), LISTS)
def test_a_list_costs_the_same_for_any_number_of_rows(
    by: Actor,
    django_assert_num_queries: DjangoAssertNumQueries,
    rows: Any,
    words: Any,
    queries: int,
) -> None:
    for count in (1, 4):
        while rows().count() < count:
            hunted(by)
        with django_assert_num_queries(queries):
            assert len([words(row) for row in rows()]) == count


def test_lists_are_of_one_place_where_asked(by: Actor) -> None:
    one, other = hunted(by), hunted(by)
    place = one.call.property
    assert list(calls.call_list(place=place)) == [one.call]
    assert list(calls.call_list(path=other.trace.path)) == [other.call]
    assert list(traces.trace_list(other.call)) == [other.trace]
    assert [row.property for row in events.event_list(place=place)] == [place]
    controller = one.call.controller
    assert controller is not None
    assert [row.controller for row in events.event_list(controller=controller)] == [controller]
    assert [row.trace for row in traces.finding_list(call=one.call)] == [one.trace]
    assert [row.body for row in traces.observation_list(one.trace)] == BODIES


def test_ended_calls_are_listed_where_asked(by: Actor) -> None:
    call = event_report(report=seen(path_at_new_place(by)), by=by).call
    assert call is not None
    closed(call, by)
    assert not calls.call_list().exists()
    assert calls.call_list(with_ended=True).get() == call


def test_the_next_step_of_a_kept_trace_costs_one_query(
    by: Actor, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    hunt = Hunt(by)
    hunt.send_all(BODIES[:6])
    trace = traces.trace_get(hunt.trace.public_id)
    with django_assert_num_queries(1):
        assert traces.trace_next(trace)["step"] == 7


@pytest.mark.parametrize(
    "get", [calls.call_get, events.event_get, traces.trace_get], ids=["call", "event", "trace"]
)
def test_what_is_not_there_is_not_found(by: Actor, get: Any) -> None:
    with pytest.raises(NotFound):
        get("nothing")


def test_rain_carries_its_millimetres(by: Actor) -> None:
    path = path_at_new_place(by)
    report = EventReport(kind="rain", at=seen(path).at, path=path.public_id, rain_mm=12.5)
    event = event_report(report=report, by=by).event
    assert event is not None
    assert events.event_get(event.public_id).rain_mm == 12.5
