"""The table of pages, where they lie, and one thing of each kind for them to show."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

from django.urls import URLPattern, reverse

from core.accounts.actor import Role
from core.clock import now
from core.models import Crew, Person
from core.pages.urls import urlpatterns as core_pages
from core.tenancy.scope import contractor_scope
from faults.models import (
    CalendarAddress,
    DayPlan,
    Finding,
    Inspection,
    Photo,
    PlannedVisit,
    PlanState,
    RemovedPart,
    Repair,
    TroubleFlag,
)
from faults.pages.urls import urlpatterns as faults_pages
from faults.services.calendar_addresses import calendar_address_issue
from faults.services.photos import photo_add
from faults.services.recurrence_runs import run_search, run_store
from faults.services.removed_parts import PartDetails, part_remove
from sites.pages.urls import urlpatterns as sites_pages
from tests.conftest import person_of
from tests.faults.hunts import Hunt, played_bodies, rehearsal_of
from tests.planning.things import a_crew_with_card, a_plan
from tests.repairs.field import REMADE, repaired
from tests.repairs.test_photos_and_parts import picture
from tests.trouble.history import EVIDENCE

PAGES: list[URLPattern] = [*core_pages, *sites_pages, *faults_pages]
WITHOUT_SESSION = {"calendar", "sign-in", "sign-out", "new-password"}
"""For programs that cannot sign in, and for signing in and out: each has tests of its own."""
OF_ONESELF = {"own-password"}
"""Whatever one's roles: with tests of its own."""
NAMES = [str(page.name) for page in PAGES if page.name not in WITHOUT_SESSION | OF_ONESELF]
OWNERS = {"people", "person-password-link"}
"""Pages for owners alone, to look at too."""
POSTED = {
    "person-password-link",
    "call-move",
    "call-path",
    "call-assign",
    "call-wait",
    "call-wake",
    "call-restore-undo",
    "call-left-add",
    "call-limit",
    "call-stop",
    "call-soak",
    "repair-photo",
    "part-photo",
    "trace-begin",
    "trace-answer",
    "trace-cannot",
    "trace-withdraw",
    "trace-end",
    "trouble-flag-move",
    "day-plan-move",
    "day-plan-take-back",
    "day-plan-publish",
    "day-plan-call-off",
    "visit-say",
    "visit-keep",
    "crew-calendar",
    "calendar-end",
}
"""Addresses that only take forms."""
FORMS = {
    "property-report",
    "call-repair",
    "call-part",
    "call-return-test",
    "call-restore",
    "call-close",
    "call-wants",
    "trace-other",
}
"""Pages of a form, which those who only read are not shown."""
BOTH = {
    "property",
    "call-left",
    "part",
    "inspection",
    "inspection-rules",
    "work-rules",
    "controller-seasons",
    "controller-survey",
    "path-survey",
    "path-sound",
    "day-plans",
    "crew-card",
    *FORMS,
}
"""Pages that also take a form."""
DOES = {
    "person-password-link": ("person-password-link", "POST"),
    "property-report": ("calls", "POST"),
    "call-move": ("call-moves", "POST"),
    "call-path": ("call", "PATCH"),
    "call-assign": ("call-assign", "POST"),
    "call-wait": ("call-moves", "POST"),
    "call-wake": ("call-moves", "POST"),
    "call-repair": ("call-repairs", "POST"),
    "call-part": ("call-removed-parts", "POST"),
    "call-return-test": ("call-return-tests", "POST"),
    "call-restore": ("call-partial-restore", "POST"),
    "call-restore-undo": ("call-partial-restore", "POST"),
    "call-left": ("call-as-left-answers", "POST"),
    "call-left-add": ("wire-path-as-left", "POST"),
    "call-close": ("call-moves", "POST"),
    "path-sound": ("wire-path-sound-records", "POST"),
    "call-wants": ("call-needs", "PUT"),
    "call-limit": ("call-limits", "POST"),
    "call-stop": ("call-stop-questions", "POST"),
    "call-soak": ("soak-check-done", "POST"),
    "repair-photo": ("repair-photos", "POST"),
    "part": ("removed-part", "PATCH"),
    "part-photo": ("removed-part-photos", "POST"),
    "property": ("events", "POST"),
    "trace-begin": ("traces", "POST"),
    "trace-answer": ("observations", "POST"),
    "trace-cannot": ("observations", "POST"),
    "trace-other": ("observations", "POST"),
    "trace-withdraw": ("observation-voidings", "POST"),
    "trace-end": ("trace-end", "POST"),
    "trouble-flag-move": ("trouble-flag-moves", "POST"),
    "inspection": ("inspection-done", "POST"),
    "inspection-rules": ("inspection-rules", "PUT"),
    "work-rules": ("work-rules", "PUT"),
    "controller-seasons": ("controller-seasons", "PUT"),
    "controller-survey": ("controller-wire-paths", "POST"),
    "path-survey": ("wire-path-survey", "PUT"),
    "day-plans": ("day-plans", "POST"),
    "day-plan-move": ("day-plan-moves", "POST"),
    "day-plan-take-back": ("day-plan-take-back", "POST"),
    "day-plan-publish": ("day-plan-publish", "POST"),
    "day-plan-call-off": ("job-cancel", "POST"),
    "visit-say": ("visit-moves", "POST"),
    "visit-keep": ("visit", "PATCH"),
    "crew-card": ("crew-card", "PUT"),
    "crew-calendar": ("crew-calendar-addresses", "POST"),
    "calendar-end": ("calendar-address-revoke", "POST"),
}
"""What a page that takes a form does over HTTP: who may do that may do this, and nobody else."""
WORK = {"repair": Repair, "part": RemovedPart, "photo": Photo}
OF_NOBODY = {
    *("open-calls", "properties", "board", "trouble", "inspections", "inspection-rules"),
    *("day-plans", "my-day", "people", "work-rules"),
}
"""Pages that name no one thing: everyone sees their own on them."""


def _person(hunt: Hunt) -> Person:
    found = Person.objects.filter(contractor=hunt.by.contractor_id).order_by("pk").first()
    return found or person_of(hunt.trace.contractor, Role.TECHNICIAN, "Somebody")


def _plan() -> DayPlan:
    return DayPlan.objects.get()


def _crew() -> Crew:
    return Crew.objects.get(card__isnull=False)


OF_DAYS: dict[str, Callable[[], list[Any]]] = {
    **dict.fromkeys(("day-plan", "day-plan-look", "day-plan-move"), lambda: [_plan()]),
    **dict.fromkeys(("day-plan-take-back", "day-plan-publish"), lambda: [_plan()]),
    **dict.fromkeys(("day-plan-call-off", "day-plan-against"), lambda: [_plan()]),
    "crew-day": lambda: [_plan(), _crew()],
    **dict.fromkeys(("visit-say", "visit-keep"), lambda: [PlannedVisit.objects.get()]),
    **dict.fromkeys(("crew-card", "crew-calendar"), lambda: [_crew()]),
    "calendar-end": lambda: [CalendarAddress.objects.get()],
}
"""What pages of days are about."""


def a_whole_day_of(hunt: Hunt) -> None:
    """What came after a trace that is told to its end: repair, part, photo, a look, a plan."""
    hunt.send_all(played_bodies(rehearsal_of())[1])
    hunt.again()
    repair = repaired(hunt.call, hunt.by, replace(REMADE, at_place={}))
    part_remove(call=hunt.call, details=PartDetails("T1", "decoder"), repair=repair, by=hunt.by)
    photo_add(of=repair, moment="repair", content=picture(), by=hunt.by)
    an_inspection_of(hunt)
    a_day_of(hunt)
    hunt.again()


def a_day_of(hunt: Hunt) -> None:
    """A plan that holds with a visit for the call, by a crew with a card and a calendar."""
    plan, crew = a_plan(hunt.by, PlanState.PUBLISHED), a_crew_with_card(hunt.by)
    at = {"starts_at": now(), "ends_at": now()}
    name = f"call:{hunt.call.public_id}"
    PlannedVisit.objects.create(plan=plan, crew=crew, name=name, kind="call", call=hunt.call, **at)
    calendar_address_issue(crew=crew, by=hunt.by)


def an_inspection_of(hunt: Hunt) -> None:
    """A flag on the trace's path and a look at it."""
    search = run_search({"as_of": now().isoformat()})
    flag = TroubleFlag.objects.create(
        path=hunt.trace.path,
        kind="stretch",
        state="raised",
        places=[{"splice": "N2"}, {"segment": "S2"}],
        evidence=EVIDENCE,
        raised_at=now(),
        run=run_store(search=search, job_id=None, by=hunt.by),
    )
    Inspection.objects.create(
        property=hunt.call.property,
        path=hunt.trace.path,
        flag=flag,
        number=1,
        due_on=now().date(),
        chance=0.2,
        created_at=now(),
    )


def address_of(name: str, hunt: Hunt) -> str:
    if name in OF_NOBODY:
        return reverse(name)
    kind = name.partition("-")[0]
    if kind == "person":
        return reverse(name, args=[_person(hunt).public_id])
    if kind in WORK:
        row = WORK[kind].objects.get(call=hunt.call)
        return reverse(name, args=[row.public_id])
    if name in OF_DAYS:
        return reverse(name, args=[one.public_id for one in OF_DAYS[name]()])
    kinds = {
        "property": hunt.call.property.public_id,
        "path": hunt.trace.path.public_id,
        "controller": hunt.trace.path.controller.public_id,
        "call": hunt.call.public_id,
        "trace": hunt.trace.public_id,
    }
    if kind == "trouble":
        return reverse(name, args=[TroubleFlag.objects.get(path=hunt.trace.path).public_id])
    if kind == "inspection":
        look = Inspection.objects.get(property=hunt.call.property)
        return reverse(name, args=[look.public_id])
    if kind == "finding":
        found = Finding.objects.filter(trace=hunt.trace).first()
        assert found is not None
        return reverse(name, args=[found.public_id])
    # The one address of a trace's name that belongs to its call.
    return reverse(name, args=[kinds["call" if name == "trace-begin" else kind]])


def addresses(hunt: Hunt) -> Iterator[tuple[str, str]]:
    with contractor_scope(hunt.by.contractor_id):
        yield from [(name, address_of(name, hunt)) for name in NAMES]
