"""What a trace takes over from the history of failures as it begins, and keeps for good."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import pytest
from django.db import transaction

from core.accounts.actor import Actor
from core.clock import as_of
from core.models import Person
from core.problems import Invalid
from faults.forms.trace import TRACE_FORMAT, read_trace
from faults.models import FaultCall, RecurrenceRun, Trace, TroubleFlag
from faults.selectors.trace_history import path_history
from faults.selectors.traces import trace_next
from faults.services.calls import Where, call_open
from faults.services.recurrence_runs import run_search, run_store
from faults.services.traces import trace_end, trace_start
from faults.services.trouble_flags import flag_move
from faults.trace_snapshot import CACHE, trace_problem
from sites.models import WirePath
from sites.network_snapshot import path_network
from sites.survey_rows import path_survey
from tests.faults.places import path_at_new_place
from tests.pages.conftest import entered, text_of
from tests.trouble.history import NOW, bad_places, failed, troubled

HOUR = dt.timedelta(hours=1)
Document = dict[str, Any]


def night(by: Actor, at: dt.datetime, **changes: Any) -> RecurrenceRun:
    search = replace(run_search({"as_of": at.isoformat()}), **changes)
    with transaction.atomic():
        return run_store(search=search, job_id=None, by=by)


def begun(by: Actor, path: WirePath, at: dt.datetime, known: Document | None = None) -> Trace:
    """The path's next trace: of its open call, after ending the one under way."""
    with as_of(at):
        before = Trace.objects.filter(path=path).order_by("pk").last()
        if before is None:
            call = call_open(where=Where.of_path(path), by=by)
        else:
            if before.ended_at is None:
                trace_end(trace=before, why="Begun anew", version=before.version, by=by)
            call = FaultCall.objects.get(pk=before.call_id)
        return trace_start(call=call, by=by, known=known)


def factors(trace: Trace) -> dict[str, float]:
    rows = trace.known.get("history", {"places": []})["places"]
    return {next(iter(row["at"].values())): row["factor"] for row in rows}


@pytest.fixture
def paths(by: Actor) -> list[WirePath]:
    return troubled(by)


def test_it_keeps_what_the_newest_run_says_and_is_folded_by_it_for_good(
    by: Actor, paths: list[WirePath], technician: Person
) -> None:
    run = night(by, NOW)
    trace = begun(by, paths[0], NOW + HOUR)
    history = trace.known["history"]
    assert (history["run"], history["as_of"]) == (run.public_id, NOW.isoformat())
    bad = {next(iter(place.values())) for place in bad_places(paths[0])}
    assert bad <= set(factors(trace))
    assert all(1.0 < factors(trace)[code] <= 8.0 for code in bad)
    # Nothing outside of the stretch weighs more than the worst of it.
    assert max(factors(trace), key=lambda code: factors(trace)[code]) in bad
    worst = next(row for row in history["places"] if row["failures"] >= 2)
    assert 1.9 < worst["years"] < 2.2
    before = trace_next(trace)
    told = [one["history"] for one in before["suspects"] if "history" in one]
    assert any("in the stretch around it" in words for words in told)

    failed(trace, {"device": "D4"}, NOW + 2 * HOUR)
    night(by, NOW + dt.timedelta(days=1))
    CACHE.clear()
    again = Trace.objects.get(pk=trace.pk)
    assert again.known["history"] == history
    assert trace_next(again) == before
    survey = path_survey(again.path, again.revision)
    form = read_trace({"format": TRACE_FORMAT, "survey": survey, **again.known})
    assert form.history == trace_problem(again).history
    page = text_of(entered(technician).get(f"/traces/{trace.public_id}"))
    assert f"as known on 29 Mar 2026 (run {run.public_id})" in page
    assert f"History counted: {told[0]}." in page


def test_what_came_after_the_run_is_not_seen(by: Actor, paths: list[WirePath]) -> None:
    night(by, NOW)
    first = begun(by, paths[0], NOW + HOUR)
    for minutes in (10, 20, 30):
        failed(first, {"device": "D4"}, NOW + dt.timedelta(minutes=minutes))
    second = begun(by, paths[0], NOW + 2 * HOUR)
    assert factors(second) == factors(first)
    night(by, NOW + dt.timedelta(days=3))
    # A run of a later moment than the trace's beginning has not been yet, as far as it knows.
    assert factors(begun(by, paths[0], NOW + 4 * HOUR)) == factors(first)
    assert factors(begun(by, paths[0], NOW + dt.timedelta(days=4)))["D4"] > 1.0


def test_where_nothing_failed_and_before_any_run_there_is_none(
    by: Actor, paths: list[WirePath], django_assert_num_queries: Any
) -> None:
    quiet = path_at_new_place(by)
    early = begun(by, paths[0], NOW)
    assert "history" not in early.known
    night(by, NOW + HOUR)
    networks = [path_network(one, one.revision) for one in (quiet, paths[0])]
    with as_of(NOW + 2 * HOUR):
        with django_assert_num_queries(2):
            assert path_history(quiet, networks[0]) is None
        with django_assert_num_queries(13):
            assert path_history(paths[0], networks[1]) is not None
    calm = begun(by, quiet, NOW + 2 * HOUR)
    assert "history" not in calm.known
    assert all("history" not in one for one in trace_next(calm)["suspects"])
    # A run made before rates were kept says nothing.
    night(by, NOW + 2 * HOUR, rates={})
    assert "history" not in begun(by, paths[0], NOW + 3 * HOUR).known


def test_what_people_weigh_themselves_history_does_not(by: Actor, paths: list[WirePath]) -> None:
    night(by, NOW)
    place = bad_places(paths[0])[0]
    told = {"priors": [{"at": place, "weight": 2.0}]}
    trace = begun(by, paths[0], NOW + HOUR, told)
    assert factors(trace)
    assert place["segment"] not in factors(trace)
    with pytest.raises(Invalid) as refused:
        begun(by, paths[1], NOW + HOUR, {"history": trace.known["history"]})
    assert [one.pointer for one in refused.value.defects] == ["/known/history"]


def test_a_stretch_whose_flag_was_cleared_no_longer_counts(
    by: Actor, paths: list[WirePath]
) -> None:
    night(by, NOW)
    before = begun(by, paths[0], NOW + HOUR)
    assert any(row["stretch_failures"] for row in before.known["history"]["places"])
    for flag in TroubleFlag.objects.filter(path=paths[0]):
        flag_move(
            flag=flag, to="cleared", why="The cable run was renewed", version=flag.version, by=by
        )
    after = begun(by, paths[0], NOW + 2 * HOUR)
    rows = after.known.get("history", {"places": []})["places"]
    assert all(row["stretch_failures"] == 0 for row in rows)
    assert set(factors(after)) < set(factors(before))
