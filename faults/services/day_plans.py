"""Plans of days: asked for, made by a job, published."""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict
from typing import Any

from django.db import transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.jobs.ask import job_enqueue
from core.jobs.child import ChildFailedError, ChildLimits, ChildTimeoutError, run_in_child
from core.locking import lock_name, locked_one
from core.models.accounts import Crew
from core.models.jobs import Job, JobState
from core.problems import Conflict, Defect
from core.tenancy.scope import everywhere
from core.text_checks import line_defects, refuse_defects
from faults.dispatch.errors import DispatchError
from faults.dispatch.shifts import EPOCH, MINUTE
from faults.forms.day_plan import plan_document, problem_document
from faults.models.call import FaultCall
from faults.models.dispatch import DayPlan, PlannedVisit, PlanState, VisitState
from faults.models.repair import SoakCheck, SoakState
from faults.models.trouble import Inspection, InspectionState
from faults.selectors.day_problem import (
    GivenTravel,
    Lock,
    PlanOptions,
    day_problem,
    read_travel,
    told_plan,
)
from faults.services.path_estimates import estimates_of_open_calls
from faults.transitions import ENDED
from sites.models.property import Property

Document = dict[str, Any]

log = logging.getLogger("faults.day_plans")

PLAN = "dispatch.plan"
LIMITS = ChildLimits(memory_mb=2048, time_s=90.0)
FIRST_LIMITS = ChildLimits(memory_mb=2048, time_s=60.0)
MOST_DAYS = 14
MOST_DAYS_AHEAD = 366
MOST_AT_ONCE = 3
MOST_WORDS = 500
MOST_PLACES = 500
_KEPT = (
    *("crew_id", "name", "kind", "call_id", "soak_check_id", "inspection_id", "starts_at"),
    *("ends_at", "drive_min", "why", "is_locked", "state", "state_at"),
)


@transaction.atomic
def plan_ask(
    *, from_day: dt.date, days: int, by: Actor, options: PlanOptions | None = None, why: str = ""
) -> DayPlan:
    """Ask for a plan of some days. Where a plan is published it is changed as little as must be.

    Raises Invalid, Conflict where three are on the way.
    """
    options = options or PlanOptions()
    refuse_defects(
        "plan", [*_asked_defects(from_day, days, options), *line_defects("/why", why, MOST_WORDS)]
    )
    lock_name(f"day plans of {by.contractor_id}")
    on_the_way = Job.objects.filter(kind=PLAN, state__in=(JobState.QUEUED, JobState.RUNNING))
    if on_the_way.count() >= MOST_AT_ONCE:
        raise Conflict(f"{MOST_AT_ONCE} plans are on the way: wait for one of them.")
    plan = DayPlan(
        from_day=from_day,
        days=days,
        told=DayPlan.objects.filter(state=PlanState.PUBLISHED).first(),
        why=why,
        options=asdict(options),
        asked_at=now(),
        by_id=by.public_id,
        by_name=by.name,
    )
    plan.job = job_enqueue(by=by, kind=PLAN, payload={"plan": plan.public_id})
    plan.save()
    change_record(
        by=by,
        action="plan.asked",
        thing=("plan", plan.public_id),
        after={"from_day": from_day.isoformat(), "days": days, "why": why},
    )
    return plan


def _asked_defects(from_day: dt.date, days: int, options: PlanOptions) -> list[Defect]:
    found = []
    ahead = (from_day - now().date()).days
    if not -1 <= ahead <= MOST_DAYS_AHEAD:
        right = f"from yesterday to {MOST_DAYS_AHEAD} days ahead"
        found.append(Defect("/from_day", f"{from_day} is out of range", right))
    if not 1 <= days <= MOST_DAYS:
        found.append(Defect("/days", f"{days} is out of range", f"1 to {MOST_DAYS}"))
    for name, least, most in (
        ("speed_km_h", 1.0, 200.0),
        ("road_factor", 1.0, 5.0),
        ("margin", 0.0, 1.0),
    ):
        value = getattr(options, name)
        if not least <= value <= most:
            found.append(Defect(f"/{name}", f"{value} is out of range", f"{least:g} to {most:g}"))
    return found + _lost_crews(options) + _travel_defects(options.travel)


def _lost_crews(options: PlanOptions) -> list[Defect]:
    """Crews that are named and are none of this contractor's."""
    crews = {f"/crews_off/{n}": name for n, name in enumerate(options.crews_off)}
    crews |= {f"/locks/{n}/crew": lock.crew for n, lock in enumerate(options.locks)}
    known = _known(Crew, crews.values())
    return [
        Defect(pointer, f"There is no crew {name}.")
        for pointer, name in crews.items()
        if name not in known
    ]


def _known(kind: type[Crew | Property], names: Iterable[str]) -> set[str]:
    rows = kind.objects.filter(public_id__in=set(names))
    return set(rows.values_list("public_id", flat=True))


def _travel_defects(travel: GivenTravel | None) -> list[Defect]:
    if travel is None:
        return []
    count = len(travel.places)
    if count > MOST_PLACES:
        return [Defect("/travel/places", f"there are {count}", f"at most {MOST_PLACES}")]
    if len(travel.minutes) != count or any(len(row) != count for row in travel.minutes):
        right = f"{count} rows of {count} minutes, from each place to each"
        return [Defect("/travel/minutes", "the matrix does not fit the places", right)]
    try:
        read_travel(travel)
    except DispatchError as wrong:
        return [Defect("/travel", str(wrong), "minutes from each place to each")]
    known = _known(Crew, travel.places) | _known(Property, travel.places)
    return [
        Defect(f"/travel/places/{n}", f"There is no property or crew {name}.")
        for n, name in enumerate(travel.places)
        if name not in known
    ]


def plan_seen(plan: DayPlan) -> Document:
    """All that the planner is given, as JSON. Run outside a transaction.

    Raises DispatchError where hours of crews cannot be laid out.
    """
    estimates_of_open_calls()
    seen = day_problem(plan.from_day, plan.days, options_of(plan), plan.told)
    document: Document = {
        "problem": problem_document(seen.problem),
        "unasked": [{"visit": name, "why": why} for name, why in seen.unasked],
    }
    if plan.told is not None and plan.told.answer:
        document["told"] = plan_document(told_plan(plan.told, seen.problem))
    return document


def options_of(plan: DayPlan) -> PlanOptions:
    """The options that a plan was asked with."""
    kept = plan.options
    travel = kept.get("travel")
    read = {
        "crews_off": tuple(kept["crews_off"]),
        "locks": tuple(Lock(**one) for one in kept["locks"]),
        "travel": None if travel is None else given_travel(travel["places"], travel["minutes"]),
    }
    return PlanOptions(**kept | read)


def given_travel(places: Sequence[str], minutes: Sequence[Sequence[float]]) -> GivenTravel:
    """A matrix as options hold it."""
    return GivenTravel(tuple(places), tuple(map(tuple, minutes)))


def plan_answer(saw: Document, cancelled: Callable[[], bool] = lambda: False) -> Document:
    """The plan of what was seen, from a child process with limits of memory and time.

    Where the child fails it is the first, greedy plan from another one, whose ``cut_short`` says
    so. Raises ChildFailedError where that fails as well.
    """
    try:
        return _planned(saw, LIMITS, cancelled)
    except ChildFailedError as failure:
        log.warning("the search for a plan ended early: %s", failure)
        took_long = isinstance(failure, ChildTimeoutError)
        why = f"it took more than {LIMITS.time_s:g} s" if took_long else "it broke off"
    answer = _planned(saw | {"search": False}, FIRST_LIMITS, cancelled)
    told = f"The search was given up, for {why}: this is the first plan, which nothing improved."
    return answer | {"cut_short": told}


def _planned(saw: Document, limits: ChildLimits, cancelled: Callable[[], bool]) -> Document:
    answer: Document = run_in_child(
        "faults.day_planning:make_plan", saw, limits=limits, cancelled=cancelled
    )
    return answer


def plan_made(plan: DayPlan, saw: Document, answer: Document, by: Actor) -> None:
    """Keep a plan and its visits, within the caller's transaction."""
    plan.saw, plan.answer, plan.state = saw, answer, PlanState.DRAFT
    plan.version += 1
    plan.save()
    told = {one.name: one for one in PlannedVisit.objects.filter(plan=plan.told)}
    PlannedVisit.objects.bulk_create(visit_rows(plan, answer, told))
    change_record(
        by=by,
        action="plan.made",
        thing=("plan", plan.public_id),
        after={"figures": answer["plan"]["figures"]},
    )


def _kept_under_way(
    plan: DayPlan, told: dict[str, PlannedVisit], named: set[str]
) -> list[PlannedVisit]:
    """Visits under way that were no part of what was planned, not stored: they stay as they are."""
    begun = [one for one in told.values() if one.state == VisitState.STARTED]
    return [
        PlannedVisit(
            plan=plan,
            **{name: getattr(one, name) for name in _KEPT},
        )
        for one in begun
        if one.name not in named and _is_wanted(one)
    ]


def _is_wanted(visit: PlannedVisit) -> bool:
    call, check, look = visit.call, visit.soak_check, visit.inspection
    return (
        (call is None or call.state not in ENDED)
        and (check is None or check.state == SoakState.OPEN)
        and (look is None or look.state == InspectionState.OPEN)
    )


def plan_failed(plan: DayPlan, why: str, by: Actor) -> None:
    """Say that a plan could not be made, within the caller's transaction."""
    plan.state, plan.refused = PlanState.FAILED, why[:MOST_WORDS]
    plan.version += 1
    plan.save()
    change_record(by=by, action="plan.failed", thing=("plan", plan.public_id), after={"why": why})


def lost_plans() -> list[tuple[int, int]]:
    """Contractors and plans that still wait for a job that died or was called off."""
    with everywhere(reason="the schedule looks at all contractors' plans"):
        rows = DayPlan.objects.filter(
            state=PlanState.ASKED, job__state__in=(JobState.DEAD, JobState.CANCELLED)
        )
        return list(rows.order_by("pk").values_list("contractor_id", "pk"))


@transaction.atomic
def plan_lost(*, plan_pk: int, by: Actor) -> None:
    """Tell a plan as failed whose job will never make it; told again nothing changes."""
    held = locked_one(DayPlan(pk=plan_pk))
    if held.state == PlanState.ASKED:
        plan_failed(held, f"its job is {held.job.state}: ask for the plan again", by)


def visit_rows(
    plan: DayPlan, answer: Document, told: dict[str, PlannedVisit]
) -> list[PlannedVisit]:
    """A plan's visits, not stored: those that had started when it was told have started. Four
    queries."""
    stops = [(route, stop) for route in answer["plan"]["routes"] for stop in route["stops"]]
    crews = {one.public_id: one for one in Crew.objects.all()}
    ids = [stop["visit"].partition(":")[2] for _, stop in stops]
    calls = {one.public_id: one for one in FaultCall.objects.filter(public_id__in=ids)}
    looks = {one.public_id: one for one in Inspection.objects.filter(public_id__in=ids)}
    checks = {one.public_id: one for one in SoakCheck.objects.filter(public_id__in=ids)}
    kept_by_hand = frozenset(answer.get("kept", []))
    made = []
    for route, stop in stops:
        kind, _, public_id = stop["visit"].partition(":")
        before = told.get(stop["visit"])
        begun = before is not None and before.state == VisitState.STARTED
        made.append(
            PlannedVisit(
                plan=plan,
                crew=crews[route["crew"]],
                name=stop["visit"],
                kind=kind,
                call=calls.get(public_id),
                soak_check=checks.get(public_id),
                inspection=looks.get(public_id),
                starts_at=EPOCH + stop["start_min"] * MINUTE,
                ends_at=EPOCH + stop["finish_min"] * MINUTE,
                drive_min=stop["drive_min"],
                why=answer["why"].get(stop["visit"], "")[:MOST_WORDS],
                is_locked=stop["locked"] or stop["visit"] in kept_by_hand,
                state=VisitState.STARTED if begun else VisitState.PLANNED,
                state_at=before.state_at if before is not None and begun else None,
            )
        )
    named = {one.name for one in made} | set(answer["plan"]["left_out"])
    return [*made, *_kept_under_way(plan, told, named)]
