"""Things of planning that tests of every route ask about."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np

from core.accounts.actor import Actor
from core.accounts.people import crew_create
from core.clock import now
from core.models import Crew, Job, JobState
from faults.dispatch.plan import Figures
from faults.dispatch.problem import Problem
from faults.dispatch.travel import Travel
from faults.forms.day_plan import problem_document
from faults.models import DayPlan, PlannedVisit, PlanState
from faults.services.calendar_addresses import calendar_address_issue
from faults.services.calls import Where, call_open
from faults.services.crew_cards import CrewPlanned, crew_card_set
from faults.services.day_plans import PLAN
from tests.faults.places import path_at_new_place

ANSWER = {
    "plan": {
        "routes": [],
        "left_out": [],
        "figures": asdict(Figures(0, 0, 0, 0, 0.0, 0, 0, 0, 0, 0, 1.0)),
        "method": "greedy",
    },
    "left_out": [],
    "changes": [],
    "figures": [],
    "why": {},
}
SAW = {
    "problem": problem_document(Problem(0, 1, (), (), Travel.given([], np.zeros((0, 0))))),
    "unasked": [],
}


def a_crew_with_card(by: Actor, name: str = "North crew") -> Crew:
    crew = crew_create(name=name, members=[], by=by)
    planned = CrewPlanned(time_zone="Europe/Madrid", base_lat=40.4, base_lon=-3.7)
    crew_card_set(crew=crew, planned=planned, version=0, by=by)
    return crew


def a_plan(by: Actor, state: PlanState = PlanState.DRAFT) -> DayPlan:
    """A plan as its job leaves it, without a visit."""
    Job.objects.filter(kind=PLAN).update(state=JobState.DONE)
    job = Job.objects.create(kind=PLAN, asked_by=by.name, created_at=now(), max_attempts=3)
    options = {
        "speed_km_h": 45.0,
        "road_factor": 1.3,
        "margin": 0.3,
        "crews_off": [],
        "locks": [],
    }
    return DayPlan.objects.create(
        from_day=now().date(),
        job=job,
        state=state,
        options=options,
        saw=SAW,
        answer=ANSWER,
        asked_at=now(),
        by_id=by.public_id,
        by_name=by.name,
    )


def a_visit(by: Actor) -> str:
    """Of the plan that holds, which all of them share."""
    held = DayPlan.objects.filter(state=PlanState.PUBLISHED).first()
    plan = held or a_plan(by, PlanState.PUBLISHED)
    crew = Crew.objects.first() or a_crew_with_card(by)
    call = call_open(where=Where.of_path(path_at_new_place(by)), by=by)
    return PlannedVisit.objects.create(
        plan=plan,
        crew=crew,
        name=f"call:{call.public_id}",
        kind="call",
        call=call,
        starts_at=now(),
        ends_at=now(),
        why="it is near",
    ).public_id


def a_calendar_address(by: Actor) -> str:
    crew = Crew.objects.first() or a_crew_with_card(by)
    return calendar_address_issue(crew=crew, by=by)[0].public_id
