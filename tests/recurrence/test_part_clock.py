"""A part put in new starts a clock of its own; trends and what to do next are that part's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from faults.recurrence.assess import assess
from faults.recurrence.exposed import exposed_units
from faults.recurrence.exposure import Spans
from faults.recurrence.history import SPLICE, Failure, History, Place, Questions
from faults.recurrence.part_clock import part_clocks
from faults.recurrence.renewal import Costs
from faults.recurrence.trend import FailureTimes, trend_tests

NEVER_OFF = Spans.of([])
WORN = (300.0, 420.0, 500.0, 560.0, 600.0)
RENEWED_AT = 600.0
SINCE = (700.0, 800.0, 900.0)


def history(*, renewed: bool, fitted: tuple[float, ...] = ()) -> History:
    """A splice that wears out by day 600 and fails evenly after it, beside one that never does."""
    bad = Place("N1", SPLICE, 1.0, (0.0, 1000.0), NEVER_OFF, "splice", fitted=fitted)
    good = replace(bad, name="N2", fitted=())
    failures = [Failure(0, at, renewed=renewed and at == RENEWED_AT) for at in (*WORN, *SINCE)]
    return History((bad, good), tuple(failures))


def test_a_part_replaced_at_its_failure_ends_with_it() -> None:
    parts = part_clocks(known := history(renewed=True), exposed_units(known))
    assert [times.tolist() for times in parts.renewed] == [[RENEWED_AT], []]
    assert parts.unit_of.tolist() == [0, 0, 1]
    assert parts.all.end.tolist() == [600.0, 400.0, 1000.0]
    assert parts.all.ends_with_failure.tolist() == [True, False, False]
    assert parts.all.unit.tolist() == [0] * 5 + [1] * 3
    assert parts.all.at.tolist() == [*WORN, 100.0, 200.0, 300.0]
    assert parts.in_place.end.tolist() == [400.0, 1000.0]
    assert parts.in_place.at.tolist() == [100.0, 200.0, 300.0]


def test_a_part_replaced_sound_is_cut_off_in_time() -> None:
    known = history(renewed=False, fitted=(650.0,))
    parts = part_clocks(known, exposed_units(known))
    assert parts.all.end.tolist() == [650.0, 350.0, 1000.0]
    assert not parts.all.ends_with_failure.any()
    assert parts.in_place.at.tolist() == [50.0, 150.0, 250.0]


def test_nothing_replaced_is_one_part_a_unit() -> None:
    exposed = exposed_units(history(renewed=False))
    parts = part_clocks(history(renewed=False), exposed)
    for made in (parts.all, parts.in_place):
        assert made.unit.tolist() == exposed.failures.unit.tolist()
        assert made.at.tolist() == exposed.failures.at.tolist()
        assert made.end.tolist() == exposed.failures.end.tolist()


def test_wear_that_was_replaced_is_no_trend_of_the_new_part() -> None:
    costs = Costs(renewal=10.0, failure=1.0)
    old, new = (
        assess(history(renewed=renewed), Questions(costs=costs)) for renewed in (False, True)
    )
    only_new = trend_tests(FailureTimes.of([0, 0, 0], [100.0, 200.0, 300.0], [400.0]))
    assert new.trend.chi_square[0] == pytest.approx(only_new.chi_square[0])
    assert new.trend.laplace[0] == pytest.approx(0.0, abs=1e-12)
    assert old.trend.laplace_worsening[0] < 0.2 < 0.4 < new.trend.laplace_worsening[0]
    assert new.laws.beta[0] == pytest.approx(
        3.0 / np.sum(np.log(400.0 / np.array([100, 200, 300])))
    )
    gained = old.renewals[0].chance_renewing_is_cheaper - new.renewals[0].chance_renewing_is_cheaper
    assert gained > 0.1


def test_counts_and_rates_know_nothing_of_what_was_replaced() -> None:
    """Whether a place is trouble is the place's own: new parts that fail there count on."""
    old, new = (assess(history(renewed=renewed), Questions()) for renewed in (False, True))
    assert (old.exposed.counts == new.exposed.counts).all()
    assert (old.flags.p_value == new.flags.p_value).all()
    assert (old.shrunk.mean == new.shrunk.mean).all()
