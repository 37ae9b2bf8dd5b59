"""Near its limit a call asks how to go on where its minutes are spent, and the board says so."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.test import Client

from core.accounts.actor import Actor
from faults.models import StopAnswer
from faults.services.stop_rule import limit_set
from tests.faults.hunts import Hunt, played_bodies, rehearsal_of
from tests.pages.conftest import posted_fields, text_of

_, BODIES = played_bodies(rehearsal_of())
ASKS, UNKNOWN = "Time to decide", "cannot be reckoned"


@pytest.fixture
def hunt(by: Actor) -> Hunt:
    """A trace under way, some minutes spent."""
    hunt = Hunt(by)
    hunt.send_all(BODIES[:6])
    hunt.again()
    return hunt


def pages_of(hunt: Hunt, browser: Client) -> list[str]:
    """The trace, its call and the board."""
    addresses = (f"/traces/{hunt.trace.public_id}", f"/calls/{hunt.call.public_id}", "/board")
    return [text_of(browser.get(address)) for address in addresses]


def limit_at(hunt: Hunt, share: float, by: Actor) -> None:
    limit_set(call=hunt.call, minutes=hunt.trace.standing["minutes"] / share, by=by)


@pytest.mark.parametrize(("share", "asked"), [(0.79, False), (0.81, True)])
def test_every_page_that_spends_minutes_asks_near_the_limit(
    hunt: Hunt, browser: Client, by: Actor, share: float, asked: bool
) -> None:
    assert [ASKS in page for page in pages_of(hunt, browser)] == [False] * 3
    limit_at(hunt, share, by)
    assert [ASKS in page for page in pages_of(hunt, browser)] == [asked] * 3
    assert not any(UNKNOWN in page for page in pages_of(hunt, browser))


def test_it_is_answered_at_the_trace_which_goes_on(hunt: Hunt, browser: Client, by: Actor) -> None:
    limit_at(hunt, 0.5, by)
    where, stop = f"/traces/{hunt.trace.public_id}", f"/calls/{hunt.call.public_id}/stop"
    early = {"choice": "go-on", "why": "two boxes left"}
    for _ in range(2):
        assert browser.post(stop, early)["Location"] == f"/calls/{hunt.call.public_id}"
    assert StopAnswer.objects.count() == 1
    hunt.send_all(BODIES[6:8])
    hunt.again()
    limit_before = StopAnswer.objects.get().limit
    while (hunt.trace.standing["minutes"] / limit_before.minutes) < 0.8:  # type: ignore[operator]
        hunt.send(BODIES[hunt.sent])
        hunt.again()
    said = posted_fields(browser.get(where), "/stop") | early
    assert said["trace"] == hunt.trace.public_id
    for _ in range(2):
        assert browser.post(stop, said)["Location"] == where
    assert StopAnswer.objects.count() == 2, "the same words count anew, and once"
    assert ASKS not in text_of(browser.get(where))


def test_a_limit_that_cannot_be_reckoned_is_told(hunt: Hunt, browser: Client, by: Actor) -> None:
    limit_set(call=hunt.call, money=Decimal(5), by=by)
    assert [UNKNOWN in page for page in pages_of(hunt, browser)] == [True] * 3
    assert not any(ASKS in page for page in pages_of(hunt, browser))
