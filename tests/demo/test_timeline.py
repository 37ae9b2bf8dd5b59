"""Stories side by side in the order of time."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import pytest

from core.clock import now
from demo.timeline import Story, tell

START = dt.datetime(2025, 3, 1, 8, 0, tzinfo=dt.UTC)


def hour(number: float) -> dt.datetime:
    return START + dt.timedelta(hours=number)


@pytest.fixture
def told() -> list[tuple[str, dt.datetime]]:
    return []


@pytest.fixture
def story(told: list[tuple[str, dt.datetime]]) -> Callable[..., Story]:
    def tell_of(name: str, *hours: float) -> Story:
        for number in hours:
            yield hour(number)
            told.append((name, now()))

    return tell_of


def test_what_happens_is_told_in_the_order_of_time_and_as_of_its_moment(
    story: Callable[..., Story], told: list[tuple[str, dt.datetime]]
) -> None:
    tell([story("a", 1, 5), story("b", 2, 3, 6)], hour(9))
    expected = [("a", 1), ("b", 2), ("b", 3), ("a", 5), ("b", 6)]
    assert told == [(name, hour(number)) for name, number in expected]
    assert now() > hour(9)


def test_what_would_come_after_the_end_does_not_happen(
    story: Callable[..., Story], told: list[tuple[str, dt.datetime]]
) -> None:
    tell([story("a", 1, 5), story("b", 4.5)], hour(4.5))
    assert [name for name, _ in told] == ["a", "b"]


def test_at_the_same_moment_the_first_story_goes_first(
    story: Callable[..., Story], told: list[tuple[str, dt.datetime]]
) -> None:
    tell([story("a", 2), story("b", 2), story("c", 2)], hour(3))
    assert [name for name, _ in told] == ["a", "b", "c"]
