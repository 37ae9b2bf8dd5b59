from __future__ import annotations

import datetime as dt
from concurrent.futures import ThreadPoolExecutor

import pytest
import time_machine

from core.accounts.actor import Actor
from core.accounts.people import crew_create
from core.clock import as_of, now
from core.models import Change

PRESENT = dt.datetime(2025, 5, 4, 12, 0, tzinfo=dt.UTC)
EARLIER = dt.datetime(2023, 8, 1, 6, 30, tzinfo=dt.UTC)


@time_machine.travel(PRESENT, tick=False)
def test_the_present_is_given_in_utc() -> None:
    assert now() == PRESENT
    assert now().utcoffset() == dt.timedelta(0)


@time_machine.travel(PRESENT, tick=False)
def test_within_as_of_the_given_moment_is_the_present_and_afterwards_it_is_not() -> None:
    later = EARLIER + dt.timedelta(days=3)
    with as_of(EARLIER):
        assert now() == EARLIER
        with as_of(later):
            assert now() == later
        assert now() == EARLIER
    assert now() == PRESENT


@time_machine.travel(PRESENT, tick=False)
def test_the_present_comes_back_after_an_error() -> None:
    with pytest.raises(ZeroDivisionError), as_of(EARLIER):
        raise ZeroDivisionError
    assert now() == PRESENT


@time_machine.travel(PRESENT, tick=False)
def test_other_threads_keep_the_present() -> None:
    with as_of(EARLIER), ThreadPoolExecutor(1) as threads:
        assert threads.submit(now).result() == PRESENT


def test_a_moment_of_another_zone_is_given_in_utc() -> None:
    with as_of(EARLIER.astimezone(dt.timezone(dt.timedelta(hours=-6)))):
        assert now() == EARLIER
        assert now().utcoffset() == dt.timedelta(0)


@time_machine.travel(PRESENT, tick=False)
@pytest.mark.parametrize(
    ("moment", "complaint"),
    [
        (EARLIER.replace(tzinfo=None), "needs a time zone"),
        (PRESENT + dt.timedelta(seconds=1), "still to come"),
    ],
)
def test_a_moment_that_cannot_be_the_present_is_refused(
    moment: dt.datetime, complaint: str
) -> None:
    with pytest.raises(ValueError, match=complaint), as_of(moment):
        pass


@pytest.mark.django_db
def test_services_write_as_of_the_moment(by: Actor) -> None:
    with as_of(EARLIER):
        crew = crew_create(name="North crew", members=[], by=by)
    assert crew.created_at == EARLIER
    assert Change.objects.get(object_id=crew.public_id).at == EARLIER
