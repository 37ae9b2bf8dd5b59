"""What ``faults`` does by schedule."""

from __future__ import annotations

import time
from collections.abc import Callable

from core import clock
from core.accounts.actor import system_actor
from core.jobs.ask import job_enqueue
from core.jobs.beat import every
from core.jobs.child import ChildFailedError
from core.jobs.kinds import job_kind
from core.jobs.run import JobRun
from core.tenancy.scope import contractor_scope, everywhere
from faults.day_planning import SEARCH_S
from faults.dispatch.errors import DispatchError
from faults.models.call import FaultCall
from faults.models.dispatch import DayPlan, PlanState
from faults.pages.audit_paper import audit_paper
from faults.selectors.audit_asked import audit_report_get
from faults.services.audit_reports import REPORT, report_keep, report_made, report_pdf
from faults.services.day_plans import (
    PLAN,
    lost_plans,
    plan_answer,
    plan_failed,
    plan_lost,
    plan_made,
    plan_seen,
)
from faults.services.recurrence_runs import (
    RECURRENCE,
    nights_to_ask,
    run_ask_night,
    run_search,
    run_store,
)
from faults.services.waiting import calls_wake, is_due, last_day_anywhere
from faults.transitions import CallState

WAKE = "calls.wake"
RECURRENCE_EVERY_S = 600
WAKE_EVERY_S = 600
LOST_EVERY_S = 60


@every(WAKE_EVERY_S, WAKE)
def ask_to_wake() -> None:
    """Ask for a job for each contractor with calls whose day has come; one a slot."""
    with everywhere(reason="the schedule looks at all contractors' waiting calls"):
        rows = list(
            FaultCall.objects.filter(
                state=CallState.WAITING, waits_until__lte=last_day_anywhere()
            ).values_list("contractor_id", "waits_until", "property__time_zone")
        )
    slot = int(clock.now().timestamp()) // WAKE_EVERY_S
    due = {owner for owner, until, zone in rows if until is not None and is_due(until, zone)}
    for contractor_id in sorted(due):
        with contractor_scope(contractor_id):
            job_enqueue(
                by=system_actor(contractor_id, WAKE),
                kind=WAKE,
                payload={},
                dedupe_key=f"{WAKE} {slot}",
            )


@job_kind(WAKE)
def wake(run: JobRun) -> None:
    """Wake the calls of one contractor; done again it wakes none."""
    woken = calls_wake(by=run.by)
    with run.finishing() as finish:
        finish.result = {"woken": woken}


@job_kind(REPORT, max_attempts=3, limit_s=600.0)
def make_report(run: JobRun) -> None:
    """Set an audit as a PDF; the file is there before its row says so."""
    report = audit_report_get(run.payload["report"])
    content = report_pdf(report, audit_paper, run.cancelled)
    path = report_keep(report, content)
    try:
        with run.finishing() as finish:
            report_made(report, content, run.by)
            finish.result = {"report": report.public_id, "size_bytes": len(content)}
    except BaseException:
        path.unlink(missing_ok=True)
        raise


@every(RECURRENCE_EVERY_S, "recurrence nights")
def ask_nights() -> None:
    """Ask for the night's run of each contractor whose night has come; one a night."""
    for contractor_id, day in nights_to_ask():
        with contractor_scope(contractor_id):
            run_ask_night(contractor_id=contractor_id, day=day)


@job_kind(RECURRENCE, limit_s=900.0)
def search_trouble(run: JobRun) -> None:
    """Search one contractor's history for trouble; flags and looks are written with its end."""
    search = run_search(run.payload, run.progress, run.cancelled)
    with run.finishing() as finish:
        stored = run_store(search=search, job_id=run.claim.job_pk, by=run.by)
        finish.result = {"run": stored.public_id, "flags": stored.flags_found}


@job_kind(PLAN, max_attempts=3, limit_s=300.0)
def make_day_plan(run: JobRun) -> None:
    """Make a plan in a process of its own; it is kept with its visits once, or told as failed."""
    plan = DayPlan.objects.select_related("told").get(public_id=run.payload["plan"])
    run.progress(0.1, "looking at calls and crews")
    try:
        saw = plan_seen(plan)
        answer = plan_answer(saw, _planning(run, len(saw["problem"]["visits"])))
    except (ChildFailedError, DispatchError) as failure:
        with run.finishing() as finish:
            plan_failed(plan, str(failure), run.by)
            finish.result = {"plan": plan.public_id, "state": PlanState.FAILED}
        return
    with run.finishing() as finish:
        plan_made(plan, saw, answer, run.by)
        finish.result = {"plan": plan.public_id, "state": plan.state}


def _planning(run: JobRun, visits: int) -> Callable[[], bool]:
    """Asks whether to stop, and each time tells how much of the search's time is used up."""
    began_s = time.monotonic()

    def cancelled() -> bool:
        spent_s = time.monotonic() - began_s
        words = f"planning {visits} visits, {spent_s:.0f} s so far, some {SEARCH_S:.0f} at most"
        run.progress(0.3 + 0.65 * min(1.0, spent_s / SEARCH_S), words)
        return run.cancelled()

    return cancelled


@every(LOST_EVERY_S, "lost plans")
def tell_lost_plans() -> None:
    """Tell plans as failed whose jobs died or were called off."""
    for contractor_id, plan_pk in lost_plans():
        with contractor_scope(contractor_id):
            plan_lost(plan_pk=plan_pk, by=system_actor(contractor_id, PLAN))
