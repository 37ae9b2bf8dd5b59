"""The invented paths and what happens on them, without a database."""

from __future__ import annotations

import ast
import datetime as dt
from collections import Counter
from itertools import pairwise

import pytest

from demo.history import (
    APART_DAYS,
    TROUBLE_FAULTS,
    YEARS,
    History,
    history_plan,
    stretch_places,
    waters,
)
from demo.laying import LEAST_DEVICE_V, LaidPath, laid_path
from demo.places import PROPERTIES, TROUBLE_STRETCHES
from sites.forms.survey import read_survey, survey_document
from sites.forms.survey_warnings import survey_warnings
from sites.network.design_check import design_figures
from tests.architecture.house import APPS, python_files, shown, syntax_tree

PLANS = {one.path.label: (plan, one) for plan in PROPERTIES for one in plan.controllers}
LAID = {label: laid_path(one.path, plan.lat, plan.lon) for label, (plan, one) in PLANS.items()}
DAYS = [dt.datetime(2026, month, 13, 15, 20, tzinfo=dt.UTC) for month in (1, 4, 7, 11)]


def test_there_are_six_properties_nine_controllers_and_about_900_devices() -> None:
    assert len(PROPERTIES) == 6
    assert len(LAID) == 9
    sizes = [len(laid.path.devices) for laid in LAID.values()]
    assert min(sizes) == 40
    assert max(sizes) == 180
    assert 850 <= sum(sizes) <= 950


@pytest.mark.parametrize("label", LAID)
def test_a_path_is_a_survey_without_defect_or_warning_that_feeds_every_device(label: str) -> None:
    path = LAID[label].path
    assert read_survey(survey_document(path)) == path
    assert not survey_warnings(path)
    lowest = design_figures(path).lowest
    assert lowest is not None
    assert lowest.voltage_v > LEAST_DEVICE_V


@pytest.mark.parametrize("label", LAID)
def test_a_path_is_laid_the_same_every_time(label: str) -> None:
    plan, one = PLANS[label]
    assert laid_path(one.path, plan.lat, plan.lon) == LAID[label]


def test_one_path_has_a_loop() -> None:
    meshed = [label for label, laid in LAID.items() if laid.path.topology == "meshed"]
    assert meshed == ["Playing field path"]
    path = LAID[meshed[0]].path
    assert len(path.segments) == len(path.nodes)


@pytest.mark.parametrize("label", LAID)
def test_no_station_is_driven_twice(label: str) -> None:
    stations = [s for device in LAID[label].path.devices for s in device.stations]
    assert sorted(stations) == list(range(1, len(stations) + 1))


@pytest.fixture(params=DAYS, ids=lambda day: f"month {day.month}")
def until(request: pytest.FixtureRequest) -> dt.datetime:
    day: dt.datetime = request.param
    return day


@pytest.fixture
def history(until: dt.datetime) -> History:
    return history_plan(LAID, until)


def test_the_same_day_gives_the_same_history(history: History, until: dt.datetime) -> None:
    assert history_plan(LAID, until) == history


def test_everything_lies_within_the_two_years(history: History, until: dt.datetime) -> None:
    moments = [one.at for one in (*history.events, *history.faults)]
    assert until - dt.timedelta(days=365 * YEARS) < min(moments)
    assert max(moments) < until


def test_a_path_has_one_fault_at_a_time(history: History) -> None:
    for label in LAID:
        times = [fault.at for fault in history.faults if fault.label == label]
        gaps = [later - earlier for earlier, later in pairwise(times)]
        assert all(gap > dt.timedelta(days=APART_DAYS) for gap in gaps)


def test_faults_come_while_the_path_waters_but_for_those_of_today(history: History) -> None:
    for fault in history.faults:
        if fault.present == "closed":
            assert waters(PLANS[fault.label][0], fault.at.date())


def test_two_calls_are_open_today(history: History) -> None:
    present = [fault.present for fault in history.faults if fault.present != "closed"]
    assert sorted(present) == ["half-way", "reported"]


def laid_of(label: str) -> LaidPath:
    return LAID[label]


@pytest.mark.parametrize(("label", "run"), TROUBLE_STRETCHES)
def test_a_trouble_stretch_fails_again_and_again_and_once_at_the_same_place(
    history: History, label: str, run: str
) -> None:
    places = stretch_places(laid_of(label), run)
    found = [fault.fault.at for fault in history.faults if fault.in_stretch == run]
    assert len(found) == TROUBLE_FAULTS >= 6
    assert set(found) <= set(places)
    assert max(Counter(found).values()) == 2


@pytest.mark.parametrize(("label", "run"), TROUBLE_STRETCHES)
def test_a_trouble_stretch_is_connected_and_short(label: str, run: str) -> None:
    path = laid_of(label).path
    places = stretch_places(laid_of(label), run)
    segments = {segment.id: segment for segment in path.segments}
    for before, cable, after in zip(places[::2], places[1::2], places[2::2], strict=False):
        ends = {segments[cable.id].from_node, segments[cable.id].to_node}
        assert ends == {before.id, after.id}
    length_m = sum(segments[place.id].length_m for place in places[1::2])
    assert length_m < 0.2 * sum(segment.length_m for segment in path.segments)


def test_scattered_faults_spare_the_trouble_stretches(history: History) -> None:
    for label, run in TROUBLE_STRETCHES:
        places = stretch_places(laid_of(label), run)
        astray = [f for f in history.faults if f.label == label and not f.in_stretch]
        assert not [fault for fault in astray if fault.fault.at in places]


def imported_names(path_name: str) -> set[str]:
    tree = next(syntax_tree(p) for p in python_files(*APPS) if shown(p) == path_name)
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            found.add((node.module or "").partition(".")[0])
        elif isinstance(node, ast.Import):
            found |= {alias.name.partition(".")[0] for alias in node.names}
    return found


@pytest.mark.slow
def test_nothing_of_the_product_imports_the_demo() -> None:
    names = [shown(path) for path in python_files(*APPS)]
    assert "core" in imported_names("sites/services/properties.py")
    assert not [name for name in names if "demo" in imported_names(name)]


def test_production_does_not_install_the_demo() -> None:
    production = next(p for p in python_files("core") if shown(p) == "core/settings/production.py")
    base = next(p for p in python_files("core") if shown(p) == "core/settings/base.py")
    for settings in (production, base):
        assert "demo" not in settings.read_text(encoding="utf-8")
