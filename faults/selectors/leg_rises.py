"""Which legs had risen at a return test, from the sound records that it left."""

from __future__ import annotations

from collections.abc import Iterable

from faults.leg_rises import Rise, rise_between
from faults.models.return_test import ReturnTest, SoundRecord


def rises_at(tests: Iterable[ReturnTest]) -> dict[int, tuple[Rise, ...]]:
    """The rises of each test by its key, as they stood then: against the newest record before it
    with the coil out. One query for all, none without a test that passed.

    A test that did not pass left no record, and has none: what it read too high is among its
    failures.
    """
    asked = list(tests)
    found: dict[int, tuple[Rise, ...]] = {test.pk: () for test in asked}
    paths = {test.path_id for test in asked if test.passed}
    if not paths:
        return found
    rows = SoundRecord.objects.filter(path__in=paths, coil=False, current_ma__isnull=False)
    newest: dict[tuple[int, str], SoundRecord] = {}
    for row in rows.order_by("pk"):
        if row.test_id in found:
            rise = rise_between(newest.get((row.path_id, row.leg)), row)
            found[row.test_id] += () if rise is None else (rise,)
        newest[row.path_id, row.leg] = row
    return found
