"""Out of the season of a controller no station is dry."""

from __future__ import annotations

import datetime as dt

import pytest

from core.accounts.actor import Actor
from faults.selectors.call_urgency import call_dryness
from sites.services.controllers import SeasonDays, season_set
from tests.repairs.field import opened, path_with_stations
from tests.repairs.test_after_the_repair import at_hour


def test_out_of_season_no_station_is_dry_and_the_hours_run_on(by: Actor) -> None:
    with at_hour(0):
        path = path_with_stations(by)
        call = opened(by, path)
    # The day of the property counts: in Madrid 5 May begins at 22:00 UTC.
    place = path.controller.property
    place.time_zone = "Europe/Madrid"
    place.save()
    season = SeasonDays(dt.date(2026, 4, 1), dt.date(2026, 5, 4), "spring")
    season_set(controller=path.controller, version=path.controller.version, seasons=[season], by=by)
    with at_hour(14.9):
        found = call_dryness([call])[call.pk]
        assert (found.stations, found.out_of_season) == (7, 0)
    with at_hour(15.1):
        found = call_dryness([call])[call.pk]
        assert (found.stations, found.out_of_season) == (0, 7)
        assert found.station_hours == pytest.approx(7 * 15.1)
