"""A property with a controller and a wire path, made by the services."""

from __future__ import annotations

import itertools

from core.accounts.actor import Actor
from sites.forms.survey import survey_document
from sites.models import Controller, WirePath
from sites.network import elements
from sites.services.controllers import ControllerDetails, controller_create
from sites.services.path_imports import path_import
from sites.services.properties import PropertyDetails, property_create
from tests.tracing.drives import tree_path

_number = itertools.count(1)


def path_at_new_place(by: Actor, survey: elements.WirePath | None = None) -> WirePath:
    """A path with this survey, by default that of ``tree_path``, at a property of its own."""
    details = PropertyDetails(name=f"Meadow Court {next(_number)}", time_zone="Europe/Madrid")
    place = property_create(details=details, by=by)
    controller = controller_create(place=place, details=ControllerDetails(name="North"), by=by)
    return path_on(controller, by, survey)


def path_on(
    controller: Controller,
    by: Actor,
    survey: elements.WirePath | None = None,
    label: str = "Path 1",
) -> WirePath:
    """A path on a controller."""
    document = survey_document(survey or tree_path())
    result = path_import(controller=controller, survey=document, by=by, label=label)
    assert result.path is not None
    return result.path
