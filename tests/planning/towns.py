"""Crews and calls around a town, on the map."""

from __future__ import annotations

from typing import Any

from core.accounts.actor import Actor
from core.accounts.people import crew_create
from core.models import Crew
from faults.models import FaultCall
from faults.services.calls import Where, call_open
from faults.services.crew_cards import CrewPlanned, crew_card_set
from sites.services.controllers import ControllerDetails, controller_create
from sites.services.properties import PropertyDetails, property_create
from tests.faults.places import path_on

HOURS = [
    {
        "weekday": day,
        "start": "07:30",
        "stop": "16:00",
        "breaks": [{"earliest": "11:30", "latest": "13:00", "minutes": 30}],
    }
    for day in range(7)
]


def a_crew(by: Actor, name: str, **more: Any) -> Crew:
    crew = crew_create(name=name, members=[], by=by)
    card = {"time_zone": "Europe/Madrid", "base_lat": 40.40, "base_lon": -3.70, "hours": HOURS}
    crew_card_set(crew=crew, planned=CrewPlanned(**card | more), version=0, by=by)
    return crew


def a_call(by: Actor, number: int, lat: float | None = 40.42) -> FaultCall:
    lon = None if lat is None else -3.70 + 0.02 * number
    details = PropertyDetails(
        f"Court {number}", time_zone="Europe/Madrid", lat=lat, lon=lon, address=f"{number} Mill Rd"
    )
    place = property_create(details=details, by=by)
    cabinet = controller_create(place=place, details=ControllerDetails("North"), by=by)
    return call_open(where=Where.of_path(path_on(cabinet, by)), by=by)
