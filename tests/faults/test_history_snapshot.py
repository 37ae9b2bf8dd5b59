"""Rows as the statistics take them: what was known when, and what map changes leave as it was."""

from __future__ import annotations

import datetime as dt

import pytest

from core.accounts.actor import Actor
from core.accounts.people import crew_create
from core.clock import as_of, now
from core.models import Contractor, Person
from core.tenancy.scope import contractor_scope
from faults.history_snapshot import SEGMENT, clock_reading, day_of, path_histories
from faults.models import FaultEvent, Finding
from sites.map_edits import MapEdit
from sites.models import Season, Segment, WirePath
from sites.services.path_corrections import path_correct
from tests.audit.history import mended
from tests.faults.places import path_at_new_place

pytestmark = pytest.mark.slow

START = dt.datetime(2025, 3, 1, 8, 0, tzinfo=dt.UTC)
NOW = START + dt.timedelta(days=300)


@pytest.fixture
def path(by: Actor, technician: Person) -> WirePath:
    with as_of(START):
        path = path_at_new_place(by)
        crew = crew_create(name="North crew", members=[technician], by=by)
    code = Segment.objects.filter(path=path).order_by("pk")[1].code
    mended(by, crew, path, {"segment": code}, START + dt.timedelta(days=50))
    mended(by, crew, path, {"device": "D5"}, START + dt.timedelta(days=60))
    return path


def totals(path: WirePath, at: dt.datetime) -> tuple[list[float], int]:
    """Metre-days of cable by state, and failures."""
    (history,) = path_histories([path.pk], at)
    tally = history.tallied.tally
    exposure = tally.exposure(clock_reading(history.clock, at))[tally.kind == SEGMENT]
    return [round(float(one), 6) for one in exposure.sum(axis=0)], int(tally.counts.sum())


def test_metre_days_and_failures_of_a_path(path: WirePath) -> None:
    exposure, failures = totals(path, NOW)
    metres = sum(Segment.objects.filter(path=path).values_list("length_m", flat=True))
    assert sum(exposure) == pytest.approx(metres * 300.0, rel=1e-6)
    assert failures == 2
    assert totals(path, START + dt.timedelta(days=55))[1] == 1


def test_seasons_and_switching_off_stop_the_clock(path: WirePath) -> None:
    (before,) = path_histories([path.pk], NOW)
    season = {"starts_on": dt.date(2025, 4, 1), "ends_on": dt.date(2025, 10, 31)}
    Season.objects.create(controller=path.controller, created_at=START, **season)
    told = {"property": path.controller.property, "received_at": START, "source_kind": "person"}
    for number, (kind, month) in enumerate((("off", 6), ("energised", 7), ("rain", 8)), start=1):
        FaultEvent.objects.create(
            path=path if kind != "rain" else None,
            kind=kind,
            at=dt.datetime(2025, month, 1, tzinfo=dt.UTC),
            source_id="x",
            source_name="x",
            body_hash=str(number),
            **told,
        )
    (after,) = path_histories([path.pk], NOW)
    assert clock_reading(before.clock, NOW).tolist() == [300.0, 0.0, 0.0]
    dry, wet, storm = clock_reading(after.clock, NOW).tolist()
    # April to October is 214 days, an hour apart by the clocks of Madrid; June was off.
    assert dry + wet == pytest.approx(214.0 + 1.0 / 24.0 - 30.0)
    assert (wet, storm) == (3.0, 0.0)


def test_a_split_and_a_join_change_no_total(path: WirePath, by: Actor) -> None:
    before = totals(path, NOW)
    cable = Segment.objects.filter(path=path).order_by("pk")[1]
    length_m = round(cable.length_m / 4.0, 3)
    ends = {"from": cable.from_code, "to": cable.to_code}
    rest = {"conductor": cable.conductor}
    with as_of(START + dt.timedelta(days=100)):
        path_correct(
            path=path,
            base_revision=1,
            changes=[
                MapEdit(
                    "add",
                    "node",
                    "N99",
                    {"kind": "inline-splice", "x_m": 1.0, "y_m": 2.0, "access": "buried"},
                ),
                MapEdit(
                    "add",
                    "segment",
                    "Sa",
                    {**rest, "from": ends["from"], "to": "N99", "length_m": length_m},
                    (cable.code,),
                ),
                MapEdit(
                    "add",
                    "segment",
                    "Sb",
                    {
                        **rest,
                        "from": "N99",
                        "to": ends["to"],
                        "length_m": cable.length_m - length_m,
                    },
                    (cable.code,),
                ),
                MapEdit("end", "segment", cable.code),
            ],
            by=by,
        )
    assert totals(path, NOW) == before
    path.refresh_from_db()
    with as_of(START + dt.timedelta(days=150)):
        path_correct(
            path=path,
            base_revision=2,
            changes=[
                MapEdit(
                    "add",
                    "segment",
                    "Sc",
                    {**rest, **ends, "length_m": cable.length_m},
                    ("Sa", "Sb"),
                ),
                MapEdit("end", "segment", "Sa"),
                MapEdit("end", "segment", "Sb"),
                MapEdit("end", "node", "N99"),
            ],
            by=by,
        )
    assert totals(path, NOW) == before
    # What was known at an earlier moment stays as it was.
    (then,) = path_histories([path.pk], START + dt.timedelta(days=120))
    assert ("Sa", "Sb") in then.tallied.codes


def test_a_finding_superseded_later_still_stood_then(path: WirePath) -> None:
    later = START + dt.timedelta(days=200)
    Finding.objects.filter(trace__path=path, at={"device": "D5"}).update(superseded_at=later)
    assert totals(path, NOW)[1] == 1
    assert totals(path, later - dt.timedelta(days=1))[1] == 2


def test_another_contractors_paths_are_not_read(
    path: WirePath, other_contractor: Contractor
) -> None:
    with contractor_scope(other_contractor.pk):
        assert path_histories([path.pk], now()) == []


def test_a_map_of_later_is_left_out(path: WirePath) -> None:
    assert path_histories([path.pk], START - dt.timedelta(days=1)) == []
    assert day_of(dt.datetime(1970, 1, 2, tzinfo=dt.UTC)) == 1.0
