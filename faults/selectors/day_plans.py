"""Reading crews' cards, plans of days, visits, and calendar addresses."""

from __future__ import annotations

from collections.abc import Sequence

from django.db.models import QuerySet

from core.models.accounts import Crew
from core.problems import Conflict, NotFound
from faults.dispatch.differences import Compared, compared
from faults.forms.day_plan import read_plan
from faults.models.call import FaultCall
from faults.models.dispatch import (
    CalendarAddress,
    CallNeeds,
    CrewCard,
    DayPlan,
    PlannedVisit,
    PlanState,
    VisitState,
)
from sites.models.property import Property

_JOINED = (
    *("plan", "crew", "call__property", "call__path", "call__controller"),
    *("soak_check__repair__call__property", "soak_check__repair__call__path"),
    "inspection__property",
)


def crew_card(crew: Crew) -> CrewCard | None:
    """How a crew is planned with, None where nothing was said: one query."""
    return CrewCard.objects.filter(crew=crew).first()


def card_list() -> QuerySet[CrewCard]:
    """Crews' cards by their names, crews joined: one query."""
    return CrewCard.objects.select_related("crew").order_by("crew__name", "pk")


def call_needs(call: FaultCall) -> CallNeeds:
    """What visits for a call want, the defaults where nothing was said: one query."""
    return CallNeeds.objects.filter(call=call).first() or CallNeeds(call=call, version=0)


def plan_list() -> QuerySet[DayPlan]:
    """Plans with what they were changed from and their jobs, without what they saw: one query."""
    return DayPlan.objects.select_related("told", "job").defer("saw").order_by("-pk")


def plan_held() -> DayPlan | None:
    """The plan that is published, None where none is: one query."""
    return plan_list().filter(state=PlanState.PUBLISHED).first()


def plan_get(public_id: str) -> DayPlan:
    """A plan: one query. Raises NotFound."""
    found = DayPlan.objects.select_related("told", "job").filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no plan {public_id}.")
    return found


def plan_beside(plan: DayPlan, to: str = "") -> DayPlan:
    """The plan to hold a plan beside: as asked, else the one it was changed from, else itself."""
    return plan_get(to) if to else (plan.told or plan)


def plans_compared(before: DayPlan, after: DayPlan) -> Compared:
    """What two plans differ in. No query. Raises Conflict where one was not made."""
    for one in (before, after):
        if not one.answer:
            raise Conflict(f"{one.public_id} was not made, so there is nothing to compare.")
    return compared(read_plan(before.answer["plan"]), read_plan(after.answer["plan"]))


def visit_list(*, plan: DayPlan | None = None, crew: Crew | None = None) -> QuerySet[PlannedVisit]:
    """Visits of a plan, None: the published one; in order of time, call and crew joined: one
    query."""
    visits = PlannedVisit.objects.select_related(*_JOINED)
    held = visits.filter(plan=plan) if plan else visits.filter(plan__state=PlanState.PUBLISHED)
    return (held.filter(crew=crew) if crew else held).order_by("starts_at", "pk")


def visit_of_call(call: FaultCall) -> PlannedVisit | None:
    """The visit to come, or under way, that the plan that holds has for a call: one query."""
    return visits_to_come([call]).get(call.pk)


def visits_to_come(calls: Sequence[FaultCall]) -> dict[int, PlannedVisit]:
    """The first visit to come, or under way, that the plan that holds has for each call, by the
    call's primary key: one query."""
    visits = PlannedVisit.objects.select_related("plan", "crew__card").filter(
        call__in=calls,
        plan__state=PlanState.PUBLISHED,
        state__in=(VisitState.PLANNED, VisitState.STARTED),
    )
    rows = visits.order_by("-starts_at", "-pk")
    return {one.call_id: one for one in rows if one.call_id}


def visits_done(calls: Sequence[FaultCall]) -> dict[int, PlannedVisit]:
    """The newest visit that is done of each call and after which none is to come, by the call's
    primary key: two queries. Of an open call it says that somebody was there and went."""
    published = PlannedVisit.objects.filter(call__in=calls, plan__state=PlanState.PUBLISHED)
    to_come = set(
        published.filter(state__in=(VisitState.PLANNED, VisitState.STARTED)).values_list(
            "call_id", flat=True
        )
    )
    done = PlannedVisit.objects.filter(call__in=calls, state=VisitState.DONE)
    rows = done.select_related("crew").order_by("state_at", "pk")
    return {one.call_id: one for one in rows if one.call_id and one.call_id not in to_come}


def visit_get(public_id: str) -> PlannedVisit:
    """A visit, joined as in ``visit_list``: one query. Raises NotFound."""
    found = PlannedVisit.objects.select_related(*_JOINED).filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no visit {public_id}.")
    return found


def visit_call(visit: PlannedVisit) -> FaultCall | None:
    """The call that a visit is for, or whose repair it looks at; None for looks at stretches."""
    check = visit.soak_check
    return visit.call or (check.repair.call if check is not None else None)


def visit_place(visit: PlannedVisit) -> Property:
    """The property that a visit is at."""
    call, look = visit_call(visit), visit.inspection
    if call is not None:
        return call.property
    if look is None:
        raise LookupError(f"{visit.public_id} is for nothing")
    return look.property


def calendar_address_list(crew: Crew) -> QuerySet[CalendarAddress]:
    """Addresses of a crew's calendar, the newest first: one query."""
    return CalendarAddress.objects.filter(crew=crew).order_by("-pk")


def calendar_address_get(public_id: str) -> CalendarAddress:
    """An address: one query. Raises NotFound."""
    found = CalendarAddress.objects.filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no calendar address {public_id}.")
    return found
