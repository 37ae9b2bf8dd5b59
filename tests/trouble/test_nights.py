"""Nightly runs: what they raise, that they repeat, and what they leave alone."""

from __future__ import annotations

import datetime as dt
from io import StringIO
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.core.management import CommandError, call_command
from django.db import transaction

from core.accounts.actor import Actor, system_actor
from core.jobs.run import run_job
from core.models import Contractor, Job, Person
from core.problems import Conflict, IllegalMove, Stale
from core.tenancy.scope import contractor_scope, everywhere
from faults.models import (
    Finding,
    FlagMove,
    Inspection,
    PathTallyRow,
    RecurrenceRun,
    TroubleFlag,
)
from faults.services.inspection_ends import inspection_done, inspection_skip
from faults.services.recurrence_runs import (
    RECURRENCE,
    nights_to_ask,
    run_ask,
    run_ask_night,
    run_repeat,
    run_search,
    run_store,
)
from faults.services.trouble_flags import flag_move
from faults.tasks import ask_nights
from sites.models import Property
from tests.api.asking import signed_in
from tests.faults.places import path_at_new_place
from tests.pages.conftest import entered
from tests.trouble.history import EVIDENCE, NOW, a_trace_on, bad_places, failed, troubled
from tests.trouble.varied import END, varied

CUT_CODES = {"S2", "S6"}
"""Cables that ``varied`` cuts: what failed before counts for what became of them."""

pytestmark = pytest.mark.slow


def night(by: Actor, at: dt.datetime) -> RecurrenceRun:
    search = run_search({"as_of": at.isoformat()})
    with transaction.atomic():
        return run_store(search=search, job_id=None, by=by)


def told() -> list[Any]:
    """Flags, their lives and looks, without what names a run."""
    flags = TroubleFlag.objects.order_by("pk").values_list(
        "path", "kind", "state", "places", "evidence", "raised_at", "quiet_since"
    )
    looks = Inspection.objects.order_by("pk").values_list(
        "flag__path", "number", "state", "due_on", "planned_week"
    )
    return [list(flags), list(looks), FlagMove.objects.count()]


def test_the_bad_stretch_alone_is_flagged_with_its_evidence(by: Actor) -> None:
    path = troubled(by)[0]
    run = night(by, NOW)
    flags = list(TroubleFlag.objects.all())
    assert {flag.path_id for flag in flags} == {path.pk}
    assert run.flags_found == len(flags) >= 1
    assert run.failures == 12
    evidence = max(flags, key=lambda flag: flag.evidence["failures"]).evidence
    assert evidence["q"] <= 0.05
    assert evidence["failures"] >= 6
    assert evidence["expected"] < evidence["failures"]
    assert evidence["posterior_low"] < evidence["posterior_ratio"] < evidence["posterior_high"]
    look = Inspection.objects.filter(flag=flags[0]).get()
    assert look.planned_week is not None
    assert look.planned_week.weekday() == 0
    assert FlagMove.objects.filter(to_state="raised").count() == len(flags)


def test_run_again_it_sees_and_finds_the_same_to_the_last_digit(by: Actor) -> None:
    bad, path, *_ = troubled(by)
    first = night(by, NOW)
    after = told()
    again = night(by, NOW)
    # Asked again it watches the path that it flagged, which is another question.
    assert (first.watched, again.watched) == ([], [bad.pk])
    assert again.seen != first.seen
    assert (again.found, again.paths_tallied) == (first.found, 0)
    assert told() == after
    # What came later is not seen from then; everything made anew is the same.
    failed(a_trace_on(path, by), {"device": "D1"}, NOW + dt.timedelta(hours=1))
    PathTallyRow.objects.all().delete()
    full = night(by, NOW)
    assert (full.seen, full.found, full.paths_tallied) == (again.seen, again.found, 6)
    assert told() == after


def test_a_run_repeats_from_what_it_kept_whatever_flags_live_by_now(by: Actor) -> None:
    """Paths that a run watched belong to what it saw: without them it would look elsewhere."""
    paths = troubled(by, 30)
    first = night(by, NOW)
    assert first.watched == []
    failed(a_trace_on(paths[7], by), {"device": "D1"}, NOW + dt.timedelta(hours=1))
    # A flag on a path that gives no reason to look at it: it is watched all the same.
    TroubleFlag.objects.create(
        path=paths[7],
        kind="place",
        state="watched",
        places=[{"device": "D1"}],
        evidence=EVIDENCE,
        raised_at=NOW,
        run=first,
    )
    second = night(by, NOW + dt.timedelta(days=1))
    assert second.watched == sorted({paths[0].pk, paths[7].pk})
    before = told()
    for run in (first, second):
        run.refresh_from_db()
        assert run_repeat(run) == ()
    # As it was asked for, but without the flags that lived then or with those that live now:
    # the digests tell.
    for kept, watched in ((first, second.watched), (second, []), (second, [paths[0].pk])):
        kept.watched = watched
        assert "seen" in run_repeat(kept)
        kept.refresh_from_db()
    second.watched = []
    assert "found" in run_repeat(second)
    second.refresh_from_db()
    assert told() == before
    assert RecurrenceRun.objects.count() == 2
    # A row that is not what it was then is told.
    Finding.objects.filter(trace__path=paths[0]).update(proved=False)
    assert {"seen", "failures", "found"} <= set(run_repeat(second))
    second.watched = None
    with pytest.raises(Conflict, match="by version"):
        run_repeat(second)


@pytest.mark.django_db(transaction=True)
def test_the_command_repeats_a_run_of_any_contractor(by: Actor) -> None:
    paths = troubled(by)
    run = night(by, NOW)
    out = StringIO()
    call_command("repeat_run", run.public_id, stdout=out)
    assert f"{run.public_id} of 2026-03-29T12:00:00+00:00: 6 paths, 12 failures" in out.getvalue()
    assert "the same to the last digit" in out.getvalue()
    Finding.objects.filter(trace__path=paths[0]).update(proved=False)
    with pytest.raises(CommandError, match=r"otherwise: failures, seen, found.*no longer what"):
        call_command("repeat_run", run.public_id, stdout=out)
    with pytest.raises(CommandError, match="There is no run rrun_none"):
        call_command("repeat_run", "rrun_none", stdout=out)


def test_a_flag_keeps_its_failures_through_changes_of_the_map(
    by: Actor, supervisor: Person
) -> None:
    """As many as the evidence counts, all of its path and before the run, on page and over HTTP."""
    made = varied(by)
    night(by, END)
    machine, browser = signed_in(supervisor), entered(supervisor)
    flags = list(TroubleFlag.objects.select_related("path"))
    assert flags
    for flag in flags:
        findings = Finding.objects.filter(public_id__in=flag.findings)
        assert len(flag.findings) == len(findings) == flag.evidence["failures"]
        assert {one.trace.path_id for one in findings} == {flag.path_id}
        codes = {place for one in flag.places for place in one.values()}
        assert all(set(one.at.values()) <= codes | CUT_CODES for one in findings)
        asked = machine.get(f"/trouble-flags/{flag.public_id}/events").json()
        assert [one["finding"] for one in asked["items"]] == flag.findings
        shown = browser.get(f"/trouble/{flag.public_id}").content.decode()
        for one in asked["items"]:
            assert f"/findings/{one['finding']}" in shown
            assert f"/calls/{one['call']}" in shown
    assert made.findings


def test_the_next_night_reads_what_changed_alone_and_equals_a_full_run(by: Actor) -> None:
    paths = troubled(by)
    night(by, NOW)
    failed(a_trace_on(paths[2], by), {"device": "D2"}, NOW + dt.timedelta(hours=1))
    later = NOW + dt.timedelta(days=1)
    part = run_search({"as_of": later.isoformat()})
    assert part.tallied == 1
    PathTallyRow.objects.all().delete()
    full = run_search({"as_of": later.isoformat()})
    assert (part.seen, part.found()) == (full.seen, full.found())


def test_a_run_that_was_overtaken_changes_nothing(by: Actor) -> None:
    troubled(by)
    night(by, NOW)
    before = told()
    late = night(by, NOW - dt.timedelta(days=300))
    assert late.overtaken
    assert told() == before


def test_watching_clearing_and_what_comes_back(by: Actor) -> None:
    path = troubled(by)[0]
    night(by, NOW)
    flag = TroubleFlag.objects.order_by("pk")[0]
    flag = flag_move(
        flag=flag, to="watched", why="The crew looks at it in spring", version=1, by=by
    )
    with pytest.raises(Stale):
        flag_move(flag=flag, to="cleared", why="x", version=1, by=by)
    with time_machine.travel(NOW, tick=False):
        flag = flag_move(flag=flag, to="cleared", why="The run was renewed", version=2, by=by)
    with pytest.raises(IllegalMove):
        flag_move(flag=flag, to="watched", why="x", version=3, by=by)
    assert Inspection.objects.get(flag=flag).state == "withdrawn"
    night(by, NOW + dt.timedelta(days=1))
    flag.refresh_from_db()
    assert flag.state == "cleared"
    failed(a_trace_on(path, by), bad_places(path)[0], NOW + dt.timedelta(days=1, hours=1))
    night(by, NOW + dt.timedelta(days=2))
    flag.refresh_from_db()
    assert flag.state == "raised"
    moves = FlagMove.objects.filter(flag=flag).order_by("pk").values_list("to_state", flat=True)
    assert list(moves) == ["raised", "watched", "cleared", "raised"]


def test_results_feed_back_and_skipped_looks_stay(by: Actor) -> None:
    troubled(by)
    night(by, NOW)
    look = Inspection.objects.order_by("pk")[0]
    with time_machine.travel(NOW, tick=False):
        inspection_done(look=look, result="sound", version=1, by=by)
        with pytest.raises(Stale):
            inspection_done(look=look, result="sound", version=1, by=by)
    night(by, NOW + dt.timedelta(days=1))
    following = Inspection.objects.get(flag=look.flag, number=2)
    assert following.due_on > NOW.date()
    with time_machine.travel(NOW + dt.timedelta(days=1), tick=False):
        inspection_skip(look=following, why="Snow", version=1, by=by)
    night(by, NOW + dt.timedelta(days=2))
    third = Inspection.objects.get(flag=look.flag, number=3)
    assert third.due_on >= (NOW + dt.timedelta(days=29)).date()
    states = Inspection.objects.filter(flag=look.flag).order_by("number")
    assert [one.state for one in states] == ["done", "skipped", "open"]


@pytest.mark.parametrize("zone", ["Pacific/Auckland", "America/Denver"])
def test_a_look_is_due_by_the_day_at_its_property(by: Actor, zone: str) -> None:
    """At noon by UTC it is tomorrow in Auckland; at two it is yesterday in Denver."""
    path = troubled(by)[0]
    Property.objects.filter(controllers__paths=path).update(time_zone=zone)
    at = NOW.replace(hour=12 if zone == "Pacific/Auckland" else 2)
    day = at.astimezone(ZoneInfo(zone)).date()
    assert day != at.date()
    night(by, at)
    look = Inspection.objects.filter(flag__path=path).order_by("pk")[0]
    assert look.flag is not None
    # So likely to fail again that the first look is due by the rule, or before it.
    assert look.due_on <= day + dt.timedelta(days=28)
    with time_machine.travel(at, tick=False):
        inspection_skip(look=look, why="Snow", version=1, by=by)
    night(by, at + dt.timedelta(minutes=1))
    following = Inspection.objects.get(flag=look.flag, number=2)
    assert following.due_on == day + dt.timedelta(days=28)


def test_one_night_is_asked_for_once_however_the_clocks_are_set(
    by: Actor, contractor: Contractor, other_contractor: Contractor
) -> None:
    path_at_new_place(by)
    with contractor_scope(other_contractor.pk):
        path_at_new_place(system_actor(other_contractor.pk, "tests"))
    # Madrid puts its clocks forward at 01:00 UTC on 29 March 2026; Denver is a day behind.
    start = dt.datetime(2026, 3, 28, 22, 0, tzinfo=dt.UTC)
    asked: list[Job] = []
    for step in range(6 * 24):
        with time_machine.travel(start + dt.timedelta(minutes=10 * step), tick=False):
            ask_nights()
    with everywhere(reason="a test looks at all jobs"):
        asked = list(Job.objects.filter(kind=RECURRENCE).order_by("pk"))
    own = [job for job in asked if job.contractor_id == contractor.pk]
    assert [job.payload["as_of"] for job in own] == [
        "2026-03-27T23:00:00+00:00",
        "2026-03-28T23:00:00+00:00",
    ]
    others = [job.payload["as_of"] for job in asked if job.contractor_id == other_contractor.pk]
    assert others == ["2026-03-28T06:00:00+00:00", "2026-03-29T06:00:00+00:00"]


def test_autumn_nights_are_one_each_too(by: Actor, contractor: Contractor) -> None:
    path_at_new_place(by)
    start = dt.datetime(2025, 10, 25, 21, 0, tzinfo=dt.UTC)
    for step in range(24 * 6):
        with time_machine.travel(start + dt.timedelta(minutes=10 * step), tick=False):
            ask_nights()
            assert contractor.pk not in {pk for pk, _ in nights_to_ask()}
    days = Job.objects.filter(kind=RECURRENCE).order_by("pk").values_list("payload", flat=True)
    assert [one["as_of"] for one in days] == [
        "2025-10-24T22:00:00+00:00",
        "2025-10-25T22:00:00+00:00",
    ]


@pytest.mark.django_db(transaction=True)
def test_the_job_does_it_and_one_run_is_on_its_way_at_a_time(by: Actor) -> None:
    troubled(by)
    job = run_ask_night(contractor_id=by.contractor_id, day=NOW.date())
    assert run_job(job.pk)
    job.refresh_from_db()
    assert job.state == "done", job.error
    assert RecurrenceRun.objects.get(public_id=job.result["run"]).job_id == job.pk
    run_ask(by=by)
    with pytest.raises(Conflict):
        run_ask(by=by)


def test_another_contractors_rows_are_neither_read_nor_written(
    by: Actor, other_contractor: Contractor
) -> None:
    troubled(by)
    with contractor_scope(other_contractor.pk):
        run = night(system_actor(other_contractor.pk, "tests"), NOW)
        assert (run.paths, run.units, run.failures) == (0, 0, 0)
        assert not TroubleFlag.objects.exists()
    assert not RecurrenceRun.objects.exists()
