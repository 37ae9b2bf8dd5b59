"""Crews, calls and a draft plan for a contractor that is seeded already, for the browser tests."""

from __future__ import annotations

import datetime as dt
import json
import sys

from core.accounts.actor import system_actor
from core.accounts.people import crew_create
from core.clock import now
from core.jobs.run import run_job
from core.models import Person
from core.tenancy.scope import contractor_scope, everywhere
from faults.services.calls import Where, call_open
from faults.services.crew_cards import CallWants, call_needs_set
from faults.services.day_plans import plan_ask
from sites.services.controllers import ControllerDetails, controller_create
from sites.services.properties import PropertyDetails, property_create
from tests.faults.places import path_on
from tests.planning.towns import a_crew

PLACES = ("Birch Court", "Cedar Walk", "Dove Lane", "Fern Close")
DIGGING = "digging tools"


def seed_plan(number: int) -> None:
    """Three crews, four calls around a town and a draft of tomorrow; its ids are printed.

    The last call wants a skill that no crew has.
    """
    with everywhere(reason="people of any contractor by their sign-in names"):
        technician = Person.objects.get(sign_in_name=f"technician-{number}")
    by = system_actor(technician.contractor_id, "tests")
    with contractor_scope(technician.contractor_id):
        crews = [a_crew(by, name, tools=[DIGGING]) for name in ("Ash crew", "Oak crew")]
        crew_create(name="Yew crew", members=[], by=by)
        crews[0].members.add(technician)
        for count, name in enumerate(PLACES):
            details = PropertyDetails(
                name,
                time_zone="Europe/Madrid",
                lat=40.41 + 0.015 * (count % 2),
                lon=-3.72 + 0.012 * count,
                address=f"{count + 2} Mill Row",
                access_note="Ring at the gate.",
            )
            place = property_create(details=details, by=by)
            cabinet = controller_create(place=place, details=ControllerDetails("North"), by=by)
            call = call_open(where=Where.of_path(path_on(cabinet, by)), by=by)
            wants = CallWants(skills=["diving"] if name == PLACES[-1] else [], tools=[DIGGING])
            call_needs_set(call=call, wants=wants, version=0, by=by)
        plan = plan_ask(from_day=now().date() + dt.timedelta(days=1), days=1, by=by)
    run_job(plan.job_id)
    sys.stdout.write(json.dumps({"plan": plan.public_id, "crew": crews[0].public_id}))
