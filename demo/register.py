"""Takes the invented properties on: controllers, seasons and the maps of their paths."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from core.accounts.actor import Actor
from core.clock import as_of
from demo.laying import LaidPath, laid_path
from demo.places import PROPERTIES, TIME_ZONE, ControllerPlan, PropertyPlan
from sites.forms.survey import survey_document
from sites.models import Controller, Property, WirePath
from sites.services.controllers import (
    ControllerDetails,
    SeasonDays,
    controller_create,
    season_set,
)
from sites.services.path_imports import path_import
from sites.services.properties import PropertyDetails, property_create


@dataclass(frozen=True)
class Registered:
    """A path of the demo with its rows and with how it was laid."""

    plan: PropertyPlan
    place: Property
    controller: Controller
    path: WirePath
    laid: LaidPath
    crew: str


def register_create(*, by: Actor, since: dt.datetime, last_year: int) -> list[Registered]:
    """All properties, taken on one a day from ``since`` on, with seasons up to ``last_year``.

    Runs in the contractor's scope.
    """
    registered = []
    for number, plan in enumerate(PROPERTIES):
        with as_of(since + dt.timedelta(days=number, hours=number % 3)):
            registered += _property(plan, number, by, range(since.year, last_year + 1))
    return registered


def _property(plan: PropertyPlan, number: int, by: Actor, years: range) -> list[Registered]:
    details = PropertyDetails(
        name=plan.name,
        time_zone=TIME_ZONE,
        address=plan.address,
        lat=plan.lat,
        lon=plan.lon,
        access_note=plan.access_note,
        external_id=plan.external_id,
    )
    place = property_create(details=details, by=by)
    crew = "North crew" if number % 2 == 0 else "South crew"
    return [_controller(plan, one, place, crew, by, years) for one in plan.controllers]


def _controller(
    plan: PropertyPlan,
    one: ControllerPlan,
    place: Property,
    crew: str,
    by: Actor,
    years: range,
) -> Registered:
    details = ControllerDetails(name=one.name, model_note=one.model_note)
    controller = controller_create(place=place, details=details, by=by)
    first, last = plan.season
    seasons = [SeasonDays(dt.date(year, *first), dt.date(year, *last)) for year in years]
    controller = season_set(
        controller=controller, version=controller.version, seasons=seasons, by=by
    )
    laid = laid_path(one.path, plan.lat, plan.lon)
    imported = path_import(controller=controller, survey=survey_document(laid.path), by=by)
    if imported.path is None:
        raise RuntimeError(f"the map of {one.path.label} was not stored")
    return Registered(plan, place, controller, imported.path, laid, crew)
