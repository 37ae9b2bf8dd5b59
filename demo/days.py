"""The crews as they are planned with, and a plan of the next days that holds."""

from __future__ import annotations

import datetime as dt
from typing import Any

from core.accounts.actor import Actor
from core.clock import now
from core.jobs.run import run_job
from core.models import Crew
from core.tenancy.scope import contractor_scope
from demo.places import TIME_ZONE
from faults.models import FaultCall
from faults.selectors.day_plans import plan_get
from faults.services.crew_cards import CallWants, CrewPlanned, call_needs_set, crew_card_set
from faults.services.day_plans import plan_ask
from faults.services.plan_publishing import plan_publish
from faults.transitions import ENDED

DAYS = 3
BREAK = {"earliest": "11:30", "latest": "13:30", "minutes": 30}
CARDS: dict[str, dict[str, Any]] = {
    "North crew": {
        "base_lat": 40.1185,
        "base_lon": -3.1980,
        "people": 2,
        "skills": ["splicing", "tracing"],
        "tools": ["digging tools", "insulation tester"],
        "parts": {"splice kit": 12, "decoder": 4},
    },
    "South crew": {
        "base_lat": 40.0822,
        "base_lon": -3.2150,
        "people": 2,
        "skills": ["splicing", "tracing"],
        "tools": ["insulation tester"],
        "parts": {"splice kit": 8, "decoder": 2},
    },
}
HOURS = {"North crew": ("07:00", "15:30"), "South crew": ("08:00", "16:30")}
GATE = ("07:30", "18:00")


def days_plan(by: Actor) -> None:
    """Say how crews are planned with and when gates are open, make a plan, and let it hold.

    Runs in no scope and outside a transaction, as the runner does.
    """
    with contractor_scope(by.contractor_id):
        for crew in Crew.objects.order_by("pk"):
            crew_card_set(crew=crew, planned=_planned(crew.name), version=0, by=by)
        gates = [{"weekday": day, "start": GATE[0], "stop": GATE[1]} for day in range(7)]
        wants = CallWants(skills=["tracing"], parts={"splice kit": 2}, access=gates)
        for call in FaultCall.objects.exclude(state__in=list(ENDED)).order_by("pk"):
            call_needs_set(call=call, wants=wants, version=0, by=by)
        plan = plan_ask(from_day=_first_day(), days=DAYS, by=by, why="the next days")
        job = plan.job_id
    run_job(job)
    with contractor_scope(by.contractor_id):
        made = plan_get(plan.public_id)
        plan_publish(plan=made, version=made.version, by=by)


def _planned(name: str) -> CrewPlanned:
    start, stop = HOURS[name]
    hours = [{"weekday": day, "start": start, "stop": stop, "breaks": [BREAK]} for day in range(6)]
    return CrewPlanned(time_zone=TIME_ZONE, hours=hours, **CARDS[name])


def _first_day() -> dt.date:
    """Tomorrow: what is left of today would depend on the hour at which the demo is made."""
    return now().date() + dt.timedelta(days=1)
