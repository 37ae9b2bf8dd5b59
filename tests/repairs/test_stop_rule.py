"""At 80 % of its limit a call asks how to go on, whatever was said before."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from core.accounts.actor import Actor
from faults.models import FaultCall, StopAnswer
from faults.selectors.stop_rule import stop_question, stop_standings
from faults.services.repairs import RepairDetails
from faults.services.stop_rule import limit_set, stop_answer
from faults.services.work_rules import Rules, work_rules_set
from faults.stop_rule import is_asked
from tests.repairs.field import moved, opened, repaired


@pytest.mark.parametrize(
    ("share", "answered_at", "asks"),
    [
        (None, [], False),
        (0.79, [], False),
        (0.8, [], True),
        (0.9, [0.0], True),
        (0.9, [0.79], True),
        (0.9, [0.8], False),
        (0.9, [0.3, 0.85, 0.2], False),
        (1.0, [0.85], True),
        (1.3, [0.85, 1.0], False),
        (1.3, [1.1], False),
    ],
)
def test_an_answer_counts_from_80_percent_on_and_is_asked_once_more_at_all_of_it(
    share: float | None, answered_at: list[float], asks: bool
) -> None:
    assert is_asked(share, answered_at) == asks


def spent(by: Actor, minutes: float) -> FaultCall:
    """A call on which so many minutes were worked."""
    call = opened(by)
    repaired(call, by, RepairDetails(kind="other", minutes=minutes))
    return call


def asks(call: FaultCall) -> bool:
    question = stop_question(call)
    assert question is not None
    return question.asks


def test_an_answer_from_before_it_was_asked_does_not_silence_the_question(by: Actor) -> None:
    call = spent(by, 50.0)
    limit_set(call=call, minutes=100.0, by=by)
    early = stop_answer(call=call, choice="go-on", by=by)
    assert (early.question["share"], asks(call)) == (0.5, False)
    moved(call, "planned", by)
    repaired(call, by, RepairDetails(kind="other", minutes=30.0))
    assert asks(call)
    counts = stop_answer(call=call, choice="go-on", by=by)
    assert (counts.question["share"], asks(call)) == (0.8, False)
    assert list(StopAnswer.objects.order_by("pk")) == [early, counts], "both are kept"
    moved(call, "planned", by)
    repaired(call, by, RepairDetails(kind="other", minutes=20.0))
    assert asks(call), "all is spent"
    stop_answer(call=call, choice="repair", by=by)
    assert not asks(call)
    limit_set(call=call, minutes=110.0, by=by)
    assert asks(call), "a new limit is a new question"


def test_a_limit_of_money_without_a_rate_says_that_it_cannot_be_reckoned(by: Actor) -> None:
    call = spent(by, 50.0)
    limit_set(call=call, money=Decimal(10), by=by)
    question = stop_question(call)
    assert question is not None
    assert (question.share, question.asks, question.is_unknown) == (None, False, True)
    stop_answer(call=call, choice="go-on", by=by)
    work_rules_set(rules=Rules(currency="EUR", hour_money=Decimal(60)), version=0, by=by)
    question = stop_question(call)
    assert question is not None
    assert (question.share, question.asks, question.is_unknown) == (5.0, True, False)
    limit_set(call=call, minutes=1000.0, by=by)
    question = stop_question(call)
    assert question is not None
    assert not question.is_unknown


@pytest.mark.parametrize("count", [1, 4])
def test_many_calls_cost_as_many_queries_as_one(
    by: Actor, django_assert_num_queries: Any, count: int
) -> None:
    calls = [spent(by, 50.0 + n) for n in range(count)]
    for call in calls:
        limit_set(call=call, minutes=60.0, by=by)
    without = opened(by)
    with django_assert_num_queries(5):
        standings = stop_standings([*calls, without])
    assert [standings[call.pk].spent.minutes for call in calls] == [50.0 + n for n in range(count)]
    assert all(one.asks for one in standings.values())
    assert without.pk not in standings
    with django_assert_num_queries(1):
        assert stop_standings([without]) == {}
