"""A property and a controller to hang wire paths on; all in the contractor's scope."""

from __future__ import annotations

import pytest

from core.accounts.actor import Actor
from sites.models import Controller, Property
from sites.services.controllers import ControllerDetails, controller_create
from sites.services.properties import PropertyDetails, property_create


@pytest.fixture
def place(by: Actor) -> Property:
    return property_create(details=PropertyDetails("Orchard Court", "Europe/Madrid"), by=by)


@pytest.fixture
def controller(place: Property, by: Actor) -> Controller:
    return controller_create(place=place, details=ControllerDetails("Pump house"), by=by)
