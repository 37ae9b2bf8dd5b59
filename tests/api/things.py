"""One thing of each kind for a contractor: what the routes with an id are asked about."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

from core.accounts.actor import Actor, Role, TokenScope
from core.accounts.people import person_create
from core.accounts.tokens import token_issue
from core.clock import now
from core.models import Job, JobState
from faults.audit_question import AuditQuestion
from faults.models import (
    Finding,
    Inspection,
    RecurrenceRun,
    Repair,
    SavedQuestion,
    SoakCheck,
    Trace,
    TroubleFlag,
)
from faults.services.audit_questions import question_save
from faults.services.audit_reports import REPORT, report_ask, report_keep, report_made
from faults.services.calls import Where, call_open
from faults.services.events import EventReport, event_report
from faults.services.photos import photo_add
from faults.services.recurrence_runs import run_search, run_store
from faults.services.removed_parts import PartDetails, part_remove
from faults.services.traces import trace_start
from sites.models import Device
from tests.api.pictures import png
from tests.conftest import PASSWORD
from tests.faults.places import path_at_new_place
from tests.planning.things import a_calendar_address, a_crew_with_card, a_plan, a_visit
from tests.repairs.field import opened, repaired
from tests.trouble.history import EVIDENCE, a_trace_on, failed


def a_person(by: Actor, name: str = "Wren Alderton") -> str:
    return person_create(
        sign_in_name=f"{name} of {by.contractor_id}".lower(),
        name=name,
        password=PASSWORD,
        roles=[Role.TECHNICIAN],
        by=by,
    ).public_id


def a_crew(by: Actor, name: str = "North crew") -> str:
    return a_crew_with_card(by, name).public_id


def a_token(by: Actor) -> str:
    day = dt.timedelta(days=1)
    return token_issue(name="gateway", scopes=[TokenScope.READ], lifetime=day, by=by)[0].public_id


def a_job(by: Actor) -> str:
    row = Job.objects.create(kind="test", asked_by=by.name, created_at=now(), max_attempts=3)
    return row.public_id


def a_path(by: Actor) -> str:
    return path_at_new_place(by).public_id


def a_property(by: Actor) -> str:
    return path_at_new_place(by).controller.property.public_id


def a_controller(by: Actor) -> str:
    return path_at_new_place(by).controller.public_id


def a_device(by: Actor) -> str:
    path = path_at_new_place(by)
    return Device.objects.filter(path=path)[0].public_id


def an_event(by: Actor) -> str:
    report = EventReport(kind="overcurrent", at=now(), path=a_path(by))
    event = event_report(report=report, by=by).event
    assert event is not None
    return event.public_id


def a_call(by: Actor) -> str:
    return call_open(where=Where.of_path(path_at_new_place(by)), by=by).public_id


def a_trace(by: Actor) -> Trace:
    call = call_open(where=Where.of_path(path_at_new_place(by)), by=by)
    return trace_start(call=call, by=by)


def a_finding(by: Actor) -> str:
    row = Finding.objects.create(
        trace=a_trace(by),
        at={"device": "D1"},
        kind="short",
        chance=0.9,
        proved=False,
        basis=[],
        made_at=now(),
    )
    return row.public_id


def a_repair(by: Actor) -> Repair:
    return repaired(opened(by), by)


def a_removed_part(by: Actor) -> str:
    repair = a_repair(by)
    details = PartDetails(tag=f"T-{repair.pk}", what="decoder")
    return part_remove(call=repair.call, repair=repair, details=details, by=by).public_id


def a_photo(by: Actor) -> str:
    repair = a_repair(by)
    return photo_add(of=repair, moment="repair", content=png(4, 3), by=by).public_id


def a_soak_check(by: Actor) -> str:
    return SoakCheck.objects.get(repair=a_repair(by)).public_id


def an_audit_question(by: Actor, name: str = "") -> str:
    name = name or f"Number {SavedQuestion.objects.count()}"
    return question_save(name=name, question=AuditQuestion(), by=by).public_id


def an_audit_report(by: Actor) -> str:
    """One that is made, as far as anybody can tell from outside."""
    Job.objects.filter(kind=REPORT).update(state=JobState.DONE)
    report = report_ask(title="Two years", question=AuditQuestion(), by=by)
    report_keep(report, b"%PDF-1.7 for tests")
    report_made(report, b"%PDF-1.7 for tests", by)
    return report.public_id


def a_recurrence_run(by: Actor) -> RecurrenceRun:
    return run_store(search=run_search({"as_of": now().isoformat()}), job_id=None, by=by)


def a_trouble_flag(by: Actor) -> TroubleFlag:
    """Raised by hand: what raises one needs years of failures."""
    path = path_at_new_place(by)
    failure = failed(a_trace_on(path, by), {"splice": "N2"}, now())
    return TroubleFlag.objects.create(
        path=path,
        kind="stretch",
        state="raised",
        places=[{"splice": "N2"}],
        evidence=EVIDENCE,
        findings=[failure.public_id],
        raised_at=now(),
        run=a_recurrence_run(by),
    )


def an_inspection(by: Actor) -> str:
    flag = a_trouble_flag(by)
    look = Inspection.objects.create(
        property=flag.path.controller.property,
        path=flag.path,
        flag=flag,
        number=1,
        due_on=now().date(),
        chance=0.2,
        created_at=now(),
    )
    return look.public_id


THINGS: dict[str, Callable[[Actor], str]] = {
    "people": a_person,
    "crews": a_crew,
    "tokens": a_token,
    "jobs": a_job,
    "properties": a_property,
    "controllers": a_controller,
    "wire-paths": a_path,
    "devices": a_device,
    "events": an_event,
    "calls": a_call,
    "traces": lambda by: a_trace(by).public_id,
    "findings": a_finding,
    "repairs": lambda by: a_repair(by).public_id,
    "removed-parts": a_removed_part,
    "photos": a_photo,
    "soak-checks": a_soak_check,
    "audit-questions": an_audit_question,
    "audit-reports": an_audit_report,
    "day-plans": lambda by: a_plan(by).public_id,
    "visits": a_visit,
    "calendar-addresses": a_calendar_address,
    "trouble-flags": lambda by: a_trouble_flag(by).public_id,
    "recurrence-runs": lambda by: a_recurrence_run(by).public_id,
    "inspections": an_inspection,
}
"""By the first word of the route's address."""
