"""Skipping proof never looks good: whoever skips more is never shown as holding better."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from faults.audit.assemble import audit
from faults.audit.records import Asked, Records
from tests.audit.invented import LAST, records

CREW = "Red crew"


def without_proof(found: Records, calls: frozenset[str]) -> Records:
    """The same history, but that these calls were closed without looking for a proof."""
    cases = tuple(
        replace(case, proof="", tested=False, stopped=True, outcome="unproved")
        if case.id in calls
        else case
        for case in found.cases
    )
    return replace(
        found,
        cases=cases,
        failures=tuple(one for one in found.failures if one.case not in calls),
        repairs=tuple(one for one in found.repairs if one.case not in calls),
    )


def closings(found: Records, window: float) -> dict[str, float]:
    asked = Asked(until=LAST, window=window)
    figure = audit(found, asked).figure("closings")
    assert figure is not None
    row = figure.row(CREW)
    assert row is not None
    return {key: float(row.cells[key] or 0.0) for key in ("share", "back", "ratio", "unproved")}


@pytest.mark.parametrize("seed", range(6))
def test_closing_without_proof_gains_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    found = records(seed)
    proved = [
        case.id
        for case in found.cases
        if case.proof and case.crew == CREW and (case.closed or LAST) < LAST
    ]
    for window in (40.0, 200.0):
        honest = closings(found, window)
        for share in (0.3, 0.6, 1.0):
            skipped = frozenset(one for one in proved if rng.uniform() < share)
            lazy = closings(without_proof(found, skipped), window)
            assert lazy["share"] <= honest["share"]
            # A later call counts against a closing wherever its fault was.
            assert lazy["back"] == honest["back"]
            # What is expected is shared out anew over strata, by a little.
            assert lazy["ratio"] > 0.95 * honest["ratio"]
            assert lazy["unproved"] == honest["unproved"] + len(skipped)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("key", ["not-held", "by-crew"])
def test_a_figure_of_repairs_shows_what_was_skipped_beside_it(seed: int, key: str) -> None:
    """What stands beside it gets no better, whatever becomes of the repairs' own share, and a crew
    that proves nothing any more is there still."""
    rng = np.random.default_rng(seed)
    found = records(seed)
    proved = [case.id for case in found.cases if case.proof and case.crew == CREW and case.closed]
    for share in (0.3, 0.6, 1.0):
        skipped = frozenset(one for one in proved if rng.uniform() < share)
        rows = []
        for one in (found, without_proof(found, skipped)):
            figure = audit(one, Asked(until=LAST, window=40.0)).figure(key)
            assert figure is not None
            assert "which skipping never raises" in figure.says
            row = figure.row(CREW)
            assert row is not None
            rows.append(row)
        honest, lazy = (row.cells for row in rows)
        assert lazy["calls_closed"] == honest["calls_closed"]
        assert lazy["calls_back"] == honest["calls_back"]
        assert float(lazy["calls_share"] or 0.0) <= float(honest["calls_share"] or 0.0)
        gone = len([one for one in skipped if one in rows[0].opens["calls_closed"]])
        assert int(lazy["calls_unproved"] or 0) == int(honest["calls_unproved"] or 0) + gone
        assert set(rows[1].opens["calls_unproved"]) >= set(rows[0].opens.get("calls_unproved", ()))
    # Repairs without a passed return test have a column of their own.
    untested = tuple(replace(case, tested=False) for case in found.cases)
    figure = audit(replace(found, cases=untested), Asked(until=LAST)).figure("not-held")
    assert figure is not None
    for row in figure.rows:
        assert row.cells["untested"] == row.cells["repairs"]


def test_all_without_proof_is_held_never() -> None:
    found = records(2)
    every = frozenset(case.id for case in found.cases if case.crew == CREW)
    assert closings(without_proof(found, every), 40.0)["share"] == 0.0
    assert closings(found, 40.0)["share"] > 0.0


def test_a_fault_that_was_left_comes_back_on_whoever_left_it() -> None:
    """What is closed without proof and comes again three days later is a call-back of it."""
    found = records(3)
    case = next(one for one in found.cases if one.proof and one.closed and one.crew == CREW)
    assert case.closed is not None
    quiet = replace(found, cases=(case,))
    later = replace(case, id="call_later", opened=case.closed + 3.0, closed=case.closed + 4.0)
    left = without_proof(replace(quiet, cases=(case, later)), frozenset({case.id}))
    assert closings(quiet, 40.0)["back"] == 0.0
    assert closings(left, 40.0)["back"] == 1.0


def test_what_is_expected_follows_age_and_splices() -> None:
    """The same crew on more splices is expected to be called back more often."""
    found = records(4)
    case = next(one for one in found.cases if one.proof and one.closed)
    alone = replace(found, cases=tuple(c for c in found.cases if c.id == case.id or c.crew != CREW))
    twice = replace(
        alone,
        ground=alone.ground
        + tuple(
            row for row in alone.ground if row.path in case.paths and row.facts.kind == "splice"
        ),
    )
    asked = Asked(until=LAST, window=200.0)
    few, many = (
        next(one for one in audit(one_of, asked).closures if one.case.id == case.id)
        for one_of in (alone, twice)
    )
    assert many.chance > few.chance
