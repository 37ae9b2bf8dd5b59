"""A month of calls over fifty properties: none is lost, and each waiting one wakes on its day."""

from __future__ import annotations

import pytest

from core.accounts.actor import Actor
from tests.repairs.month import a_month

SEED = 20260601


@pytest.mark.slow
def test_in_a_month_no_call_is_lost_and_each_waiting_one_wakes_on_its_day(by: Actor) -> None:
    month = a_month(SEED, by)
    waits = month.waits
    assert month.calls >= 40
    assert 0 < month.closed < month.calls
    assert month.linked == month.messages
    assert month.lost == 0
    assert waits.day_came >= 10
    assert (waits.on_their_day, waits.missed) == (waits.day_came, 0)
    assert waits.begun == waits.day_came + waits.by_rain + waits.to_come
    assert month.station_hours > 0
    assert month.refused == 0
