"""What lay in the ground: exposure follows the map through splits, and ages through birthdays."""

from __future__ import annotations

import datetime as dt
import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.accounts.actor import Actor
from core.clock import as_of, now
from faults.audit.ground import BANDS, YEAR_DAYS, band_of, band_spans, stop_of
from faults.audit.records import Ground
from faults.audit_question import AuditQuestion
from faults.selectors.audit import audit_of
from faults.selectors.audit_ground import ground_rows, made_day, path_facts
from sites.map_edits import MapEdit
from sites.models import Segment, WirePath
from sites.services.path_corrections import path_correct
from tests.faults.places import path_at_new_place

DAYS = st.floats(0.0, 20_000.0)


@given(made=st.none() | DAYS, start=DAYS, long=st.floats(0.0, 15_000.0))
def test_ages_share_out_all_days_and_no_more(made: float | None, start: float, long: float) -> None:
    spans = list(band_spans(made, start, start + long))
    assert sum(days for _, days in spans) == pytest.approx(long, abs=1e-6)
    for band, days in spans:
        assert days > 0.0
        assert (band in BANDS) == (made is not None)
    bands = [band for band, _ in spans]
    assert bands == sorted(bands, key=lambda band: BANDS.index(band) if band in BANDS else 9)


def test_a_birthday_belongs_to_the_older_band() -> None:
    assert band_of(0.0, 5 * YEAR_DAYS - 0.01) == BANDS[0]
    assert band_of(0.0, 5 * YEAR_DAYS) == BANDS[1]
    assert band_of(0.0, 40 * YEAR_DAYS) == BANDS[3]
    assert band_of(100.0, 0.0) == BANDS[0]


@pytest.mark.parametrize(
    ("told", "day"),
    [
        ("2009", "2009-01-01"),
        ("2009-04", "2009-04-01"),
        ("2009-04-17", "2009-04-17"),
        (2011, "2011-01-01"),
    ],
)
def test_a_date_is_known_as_well_as_it_is(told: str | int, day: str) -> None:
    moment = dt.datetime.fromisoformat(f"{day}T00:00:00+00:00")
    assert made_day(told) == moment.timestamp() / 86400.0


def test_nothing_told_is_no_date() -> None:
    assert made_day("") is None
    assert made_day(None) is None


def metre_days(rows: tuple[Ground, ...], until: float) -> float:
    cables = (row for row in rows if row.facts.kind == "segment")
    return sum(row.facts.amount * (stop_of(row, until) - row.start) for row in cables)


@pytest.mark.django_db
def test_a_cable_cut_in_two_on_the_map_changes_no_exposure(by: Actor) -> None:
    began = now() - dt.timedelta(days=200)
    with as_of(began):
        path = path_at_new_place(by)
    until = now().timestamp() / 86400.0
    before = metre_days(ground_rows(path_facts()), until)
    cable = Segment.objects.filter(path=path, to_revision__isnull=True).order_by("pk")[0]
    with as_of(began + dt.timedelta(days=80)):
        cut_in_two(path, cable, by)
    rows = ground_rows(path_facts())
    assert len(path_facts()[path.pk].revisions) == 2
    assert metre_days(rows, until) == pytest.approx(before, rel=1e-9)
    rates = audit_of(AuditQuestion()).found.rates.exposure
    told = sum(days for (kind, _), days in rates.items() if kind == "segment")
    assert told == pytest.approx(before, rel=1e-6)


def cut_in_two(path: WirePath, cable: Segment, by: Actor) -> None:
    """A splice is found half-way along a cable; what the cable was goes on in two."""
    row = WirePath.objects.get(pk=path.pk)
    node = {"kind": "inline-splice", "x_m": 1.0, "y_m": 1.0, "access": "buried"}
    common = {"length_m": cable.length_m / 2, "conductor": cable.conductor}
    halves = itertools.pairwise((cable.from_code, "J99", cable.to_code))
    edits = [
        MapEdit("add", "node", "J99", values=node),
        MapEdit("end", "segment", cable.code),
        *(
            MapEdit(
                "add",
                "segment",
                f"W9{n}",
                values={"from": a, "to": b, **common},
                comes_from=(cable.code,),
            )
            for n, (a, b) in enumerate(halves)
        ),
    ]
    path_correct(path=row, base_revision=row.revision, changes=edits, by=by, note="A splice found.")
