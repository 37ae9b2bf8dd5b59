"""Two rows cost as many queries as twenty, and how many is pinned."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from core.accounts.actor import Actor
from sites.geojson import path_geojson
from sites.models import Controller, Property, WirePath
from sites.network_snapshot import path_network
from sites.selectors.design import path_design_figures
from sites.selectors.paths import path_get, path_lineage, path_list, path_revisions, path_rows
from sites.selectors.properties import (
    controller_get,
    controller_list,
    property_get,
    property_list,
    season_list,
)
from sites.services.controllers import ControllerDetails, SeasonDays, controller_create, season_set
from sites.services.path_imports import path_import
from sites.services.properties import PropertyDetails, property_create
from sites.survey_rows import path_survey
from tests.sites.surveys import straight_survey


def queries(read: Callable[[], Any]) -> int:
    with CaptureQueriesContext(
        connection,
    ) as seen:
        read()
    return len(seen)


def grow(by: Actor, count: int) -> tuple[Property, Controller, WirePath]:
    """So many properties, the last with so many controllers, the last of them with so many paths
    and seasons, the last path with so many nodes."""
    for at in range(count):
        place = property_create(details=PropertyDetails(f"P{at}", "UTC"), by=by)
    for at in range(count):
        controller = controller_create(place=place, details=ControllerDetails(f"C{at}"), by=by)
    days = [dt.date(2026, 1, 1) + dt.timedelta(days=at) for at in range(count)]
    season_set(
        controller=controller, version=1, seasons=[SeasonDays(day, day) for day in days], by=by
    )
    for at in range(count):
        made = path_import(controller=controller, survey=straight_survey(at + 1, f"W{at}"), by=by)
    assert made.path is not None
    return place, controller, made.path


def read_properties() -> None:
    for place in property_list():
        for controller in place.controllers.all():
            assert isinstance([str(path) for path in controller.paths.all()], list)


def read_controllers() -> None:
    for controller in controller_list():
        assert controller.property.time_zone
        assert isinstance([str(path) for path in controller.paths.all()], list)
        assert isinstance([str(season) for season in controller.seasons.all()], list)


READS: list[tuple[str, int, Callable[[Property, Controller, WirePath], Any]]] = [
    ("property_list", 3, lambda *_: read_properties()),
    ("property_get", 3, lambda place, *_: property_get(place.public_id)),
    ("controller_list", 3, lambda *_: read_controllers()),
    ("controller_get", 3, lambda _, controller, __: controller_get(controller.public_id)),
    ("season_list", 1, lambda _, controller, __: list(season_list(controller))),
    (
        "path_list",
        1,
        lambda _, controller, __: [path.controller.property.name for path in path_list(controller)],
    ),
    ("path_get", 1, lambda *rows: path_get(rows[2].public_id).controller.property.name),
    ("path_revisions", 1, lambda *rows: list(path_revisions(rows[2]))),
    ("path_lineage", 1, lambda *rows: list(path_lineage(rows[2]))),
    ("path_rows", 4, lambda *rows: path_rows(rows[2])),
    ("path_survey", 4, lambda *rows: path_survey(rows[2], 1)),
    ("path_network", 4, lambda *rows: path_network(rows[2])),
    ("path_design_figures", 4, lambda *rows: path_design_figures(rows[2])),
    ("path_geojson", 4, lambda *rows: path_geojson(rows[2])),
]


@pytest.mark.parametrize("count", [2, 20])
def test_reads_cost_so_many_queries_however_many_rows(by: Actor, count: int) -> None:
    rows = grow(by, count)
    found = {name: queries(lambda read=read: read(*rows)) for name, _, read in READS}
    assert found == {name: most for name, most, _ in READS}


def test_an_import_costs_as_many_queries_for_two_nodes_as_for_eighty(
    controller: Controller, by: Actor
) -> None:
    few, many = (
        queries(
            lambda count=count: path_import(
                controller=controller, survey=straight_survey(count, f"W{count}"), by=by
            )
        )
        for count in (2, 20)
    )
    assert few == many
