"""A month of calls over fifty properties: none is lost, and each waiting one wakes on its day."""

from __future__ import annotations

import pytest

from core.accounts.actor import Actor
from faults.models import FaultCall
from tests.faults.places import path_at_new_place
from tests.repairs.month import World, a_month

SEED = 20260601


def test_a_message_that_no_call_answers_for_is_counted_as_lost(by: Actor) -> None:
    """The count can come out other than nought: it is not the product's own."""
    path, other = path_at_new_place(by), path_at_new_place(by)
    world = World()
    world.message(path, by)
    world.message(other, by)
    assert world.lost() == []
    FaultCall.objects.filter(path=path).update(path=None, overcurrents=0)
    assert world.lost() == ["seen-1", f"path {path.pk}"]
    world.told["never-stored"] = other.pk
    assert world.lost() == ["seen-1", "never-stored", f"path {path.pk}", f"path {other.pk}"]


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
