"""A map that is corrected: cables cut in two and joined again change no total of what was exposed
and what failed, in the nightly run, its stored tallies and the audit."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from core.accounts.actor import Actor
from core.clock import as_of
from faults.audit_question import AuditQuestion
from faults.history_snapshot import clock_reading, path_histories
from faults.models import Trace
from faults.recurrence.checked import Floats
from faults.recurrence.trouble import DEVICE, SEGMENT, SPLICE
from faults.selectors.audit import Audited, audit_of
from sites.map_edits import MapEdit
from sites.models import Segment, WirePath
from sites.services.path_corrections import path_correct
from tests.audit.test_ground import cut_in_two
from tests.trouble.history import NOW, START, failed, troubled
from tests.trouble.test_nights import night

pytestmark = [pytest.mark.django_db, pytest.mark.slow]

CHANGED = START + dt.timedelta(days=200)
LATER = CHANGED + dt.timedelta(days=150)
AUDIT = AuditQuestion(same_place="very")


def totals(path: WirePath, known_at: dt.datetime, until: dt.datetime) -> tuple[Floats, Floats]:
    """Exposure, shape (kinds, states), and failures by kind, of a path's units together."""
    (one,) = path_histories([path.pk], known_at)
    tally = one.tallied.tally
    exposed = tally.exposure(clock_reading(one.clock, until))
    kinds = (SPLICE, SEGMENT, DEVICE)
    return (
        np.array([exposed[tally.kind == kind].sum(axis=0) for kind in kinds]),
        np.array([tally.counts[tally.kind == kind].sum() for kind in kinds]),
    )


def joined_again(path: WirePath, length_m: float, by: Actor) -> None:
    """The halves of ``cut_in_two`` turn out to be one cable."""
    row = WirePath.objects.get(pk=path.pk)
    halves = list(Segment.objects.filter(path=path, code__in=("W90", "W91")).order_by("code"))
    whole = {
        "from": halves[0].from_code,
        "to": halves[1].to_code,
        "length_m": length_m,
        "conductor": halves[0].conductor,
    }
    edits = [
        *(MapEdit("end", "segment", half.code) for half in halves),
        MapEdit("end", "node", "J99"),
        MapEdit("add", "segment", "W99", values=whole, comes_from=("W90", "W91")),
    ]
    path_correct(path=row, base_revision=row.revision, changes=edits, by=by, note="No splice.")


def failures_of(audited: Audited) -> int:
    return sum(audited.found.rates.failed.values())


def test_a_cut_and_a_join_change_no_total(by: Actor) -> None:
    path = troubled(by)[0]
    cable = Segment.objects.filter(path=path).order_by("pk")[3]
    trace = Trace.objects.get(path=path)
    before_run = night(by, NOW)
    before = totals(path, NOW, NOW)
    before_audit = audit_of(AUDIT, as_of=NOW)
    assert before[1][SEGMENT] > 0

    with as_of(CHANGED):
        cut_in_two(path, cable, by)
    cut_run, cut = night(by, NOW), totals(path, NOW, NOW)
    with as_of(LATER):
        joined_again(path, cable.length_m, by)
    joined_run, joined = night(by, NOW), totals(path, NOW, NOW)

    for exposed, failures in (cut, joined):
        # The splice that was thought to be there counts while it was; cables and devices do not
        # change by a metre or a day.
        assert exposed[[SEGMENT, DEVICE]] == pytest.approx(before[0][[SEGMENT, DEVICE]], rel=1e-9)
        assert (failures == before[1]).all()
    for (exposed, _), until in ((cut, NOW), (joined, LATER)):
        more = exposed[SPLICE].sum() - before[0][SPLICE].sum()
        assert more == pytest.approx((until - CHANGED) / dt.timedelta(days=1))
    assert cut_run.failures == joined_run.failures == before_run.failures
    assert cut_run.paths_tallied == joined_run.paths_tallied == 1

    # A failure of the cable as it is now counts with those of what it was.
    failed(trace, {"segment": "W99"}, NOW - dt.timedelta(days=1))
    (one,) = path_histories([path.pk], NOW)
    unit = one.tallied.unit_of()[SEGMENT, "W99"]
    was = sum(at == (SEGMENT, cable.code) for at, _ in one.failed)
    assert was > 0
    assert one.tallied.tally.counts[unit].sum() == was + 1
    after_audit = audit_of(AUDIT, as_of=NOW)
    assert failures_of(after_audit) == failures_of(before_audit) + 1
