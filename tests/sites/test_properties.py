from __future__ import annotations

import dataclasses
import datetime as dt
from typing import Any

import pytest
from django.db import IntegrityError, transaction

from core.accounts.actor import Actor, system_actor
from core.models import Change, Contractor
from core.problems import Conflict, Invalid, NotFound, Stale
from core.tenancy.scope import contractor_scope
from sites.models import Controller, Property, Season
from sites.selectors.properties import (
    controller_get,
    property_by_external_id,
    property_get,
    season_list,
)
from sites.services.controllers import (
    ControllerDetails,
    SeasonDays,
    controller_create,
    controller_end,
    controller_update,
    path_end,
    season_set,
)
from sites.services.path_imports import path_import
from sites.services.properties import (
    PropertyDetails,
    property_create,
    property_details,
    property_end,
    property_update,
)
from tests.sites.surveys import straight_survey

DETAILS = PropertyDetails("Orchard Court", "Europe/Madrid", lat=40.1, lon=-3.2, external_id="A-1")


def days(start: str, end: str, note: str = "") -> SeasonDays:
    return SeasonDays(dt.date.fromisoformat(start), dt.date.fromisoformat(end), note)


def test_a_property_is_kept_and_recorded(by: Actor) -> None:
    place = property_create(details=DETAILS, by=by)
    assert property_details(property_get(place.public_id)) == DETAILS
    change = Change.objects.get(object_id=place.public_id)
    assert (change.action, change.after["time_zone"]) == ("property.created", "Europe/Madrid")


@pytest.mark.parametrize(
    ("wrong", "pointer"),
    [
        ({"name": "  "}, "/name"),
        ({"name": "x" * 121}, "/name"),
        ({"name": "two\nlines"}, "/name"),
        ({"name": "half \ud800"}, "/name"),
        ({"time_zone": "Mars/Olympus"}, "/time_zone"),
        ({"time_zone": ""}, "/time_zone"),
        ({"lat": None}, "/lat"),
        ({"lon": 181.0}, "/lon"),
        ({"lat": float("nan")}, "/lat"),
        ({"access_note": "bell\x07"}, "/access_note"),
        ({"external_id": "x" * 121}, "/external_id"),
    ],
)
def test_a_field_that_does_not_fit_is_told(by: Actor, wrong: dict[str, Any], pointer: str) -> None:
    with pytest.raises(Invalid) as refused:
        property_create(details=dataclasses.replace(DETAILS, **wrong), by=by)
    assert [defect.pointer for defect in refused.value.defects] == [pointer]
    assert not Property.objects.exists()


def test_all_defects_are_told_at_once(by: Actor) -> None:
    with pytest.raises(Invalid) as refused:
        property_create(details=PropertyDetails("", "nowhere", lat=99.0), by=by)
    pointers = [defect.pointer for defect in refused.value.defects]
    assert pointers == ["/name", "/time_zone", "/lon", "/lat"]


def test_an_external_id_names_one_property_of_a_contractor(
    by: Actor, other_contractor: Contractor
) -> None:
    place = property_create(details=DETAILS, by=by)
    with pytest.raises(Conflict) as refused:
        property_create(details=DETAILS, by=by)
    assert refused.value.extra == {"property": place.public_id}
    without = dataclasses.replace(DETAILS, external_id="")
    assert property_create(details=without, by=by) != property_create(details=without, by=by)
    assert property_by_external_id("A-1") == place
    assert property_by_external_id("") is None
    with contractor_scope(other_contractor.pk):
        property_create(details=DETAILS, by=system_actor(other_contractor.pk, "tests"))


def test_an_update_holds_for_the_version_that_was_seen(by: Actor) -> None:
    place = property_create(details=DETAILS, by=by)
    renamed = dataclasses.replace(DETAILS, name="Lower Orchard")
    changed = property_update(place=place, version=1, details=renamed, by=by)
    assert (changed.name, changed.version) == ("Lower Orchard", 2)
    with pytest.raises(Stale) as refused:
        property_update(place=place, version=1, details=DETAILS, by=by)
    assert refused.value.extra == {"version": 2}
    change = Change.objects.get(action="property.updated")
    assert (change.before["name"], change.after["name"]) == ("Orchard Court", "Lower Orchard")


def test_the_database_refuses_half_a_position(by: Actor) -> None:
    place = property_create(details=DETAILS, by=by)
    with pytest.raises(IntegrityError), transaction.atomic():
        Property.objects.filter(pk=place.pk).update(lat=None)


def test_another_contractors_property_is_not_found(
    place: Property, controller: Controller, other_contractor: Contractor
) -> None:
    with contractor_scope(other_contractor.pk):
        with pytest.raises(NotFound):
            property_get(place.public_id)
        with pytest.raises(NotFound):
            controller_get(controller.public_id)


def test_what_ends_ends_from_the_inside_out(
    place: Property, controller: Controller, by: Actor
) -> None:
    path = path_import(controller=controller, survey=straight_survey(1), by=by).path
    assert path is not None
    with pytest.raises(Conflict, match="controllers"):
        property_end(place=place, version=1, by=by)
    with pytest.raises(Conflict, match="wire paths"):
        controller_end(controller=controller, version=1, by=by)
    path_end(path=path, version=1, by=by)
    with pytest.raises(Conflict, match="already"):
        path_end(path=path, version=2, by=by)
    controller_end(controller=controller, version=1, by=by)
    with pytest.raises(Conflict, match="ended"):
        path_import(controller=controller, survey=straight_survey(1), by=by)
    property_end(place=place, version=1, by=by)
    with pytest.raises(Conflict, match="ended"):
        controller_create(place=place, details=ControllerDetails("Late"), by=by)
    assert property_get(place.public_id).ended_at is not None


def test_a_controllers_name_is_given_once_at_a_property(
    place: Property, controller: Controller, by: Actor
) -> None:
    with pytest.raises(Conflict, match="Pump house"):
        controller_create(place=place, details=ControllerDetails("Pump house"), by=by)
    other = controller_create(place=place, details=ControllerDetails("Gate"), by=by)
    with pytest.raises(Conflict, match="Pump house"):
        controller_update(
            controller=other, version=1, details=ControllerDetails("Pump house"), by=by
        )
    changed = controller_update(
        controller=other, version=1, details=ControllerDetails("Gate", "two outputs"), by=by
    )
    assert (changed.model_note, changed.version) == ("two outputs", 2)


def test_a_calendar_is_set_as_a_whole_and_what_stays_keeps_its_id(
    controller: Controller, by: Actor
) -> None:
    spring, autumn = days("2026-03-01", "2026-06-30"), days("2026-09-01", "2026-10-15")
    season_set(controller=controller, version=1, seasons=[autumn, spring], by=by)
    before = {season.starts_on: season.public_id for season in season_list(controller)}
    assert list(before) == [spring.starts_on, autumn.starts_on]
    longer = days("2026-09-01", "2026-11-15", "dry year")
    changed = season_set(controller=controller, version=2, seasons=[spring, longer], by=by)
    assert changed.version == 3
    after = {season.starts_on: season for season in season_list(controller)}
    assert after[spring.starts_on].public_id == before[spring.starts_on]
    assert after[autumn.starts_on].public_id != before[autumn.starts_on]
    assert after[autumn.starts_on].note == "dry year"
    assert Season.objects.count() == 3


@pytest.mark.parametrize(
    ("seasons", "pointer"),
    [
        ([days("2026-03-01", "2026-06-30"), days("2026-06-30", "2026-07-30")], "/1/starts_on"),
        ([days("2026-06-30", "2026-07-30"), days("2026-03-01", "2026-06-30")], "/0/starts_on"),
        ([days("2026-03-01", "2026-03-01"), days("2026-03-01", "2026-03-01")], "/1/starts_on"),
        ([days("2026-03-01", "2026-02-28")], "/0/ends_on"),
        ([days("2026-03-01", "2026-04-01", "x" * 201)], "/0/note"),
    ],
    ids=["shares a day", "in any order", "twice", "ends first", "long note"],
)
def test_seasons_that_overlap_or_end_first_are_refused(
    controller: Controller, by: Actor, seasons: list[SeasonDays], pointer: str
) -> None:
    with pytest.raises(Invalid) as refused:
        season_set(controller=controller, version=1, seasons=seasons, by=by)
    assert [defect.pointer for defect in refused.value.defects] == [f"/seasons{pointer}"]
    assert not Season.objects.exists()


def test_every_season_within_a_long_one_is_told(controller: Controller, by: Actor) -> None:
    seasons = [
        days("2026-01-01", "2026-12-31"),
        days("2026-02-01", "2026-02-10"),
        days("2026-05-01", "2026-05-10"),
    ]
    with pytest.raises(Invalid) as refused:
        season_set(controller=controller, version=1, seasons=seasons, by=by)
    assert [defect.pointer for defect in refused.value.defects] == [
        "/seasons/1/starts_on",
        "/seasons/2/starts_on",
    ]


def test_seasons_that_follow_each_other_are_taken(controller: Controller, by: Actor) -> None:
    seasons = [days("2026-03-01", "2026-06-30"), days("2026-07-01", "2026-07-30")]
    season_set(controller=controller, version=1, seasons=seasons, by=by)
    assert season_list(controller).count() == 2
    with pytest.raises(Stale):
        season_set(controller=controller, version=1, seasons=[], by=by)
