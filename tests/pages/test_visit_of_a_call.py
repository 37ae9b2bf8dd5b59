"""A call tells the visit that is planned for it, and a crew's day that its call is over."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
import time_machine

from core.accounts.actor import Actor
from core.models import Person
from faults.models import FaultCall
from faults.services.call_moves import Move, call_move
from faults.services.plan_publishing import plan_publish
from tests.pages.conftest import entered, text_of
from tests.planning.test_day_plans import MONDAY, made
from tests.planning.towns import a_call, a_crew

pytestmark = pytest.mark.slow


@pytest.fixture
def at_dawn() -> Any:
    with time_machine.travel(MONDAY, tick=False) as traveller:
        yield traveller


def test_who_comes_when_and_that_nobody_need_come(
    by: Actor, supervisor: Person, at_dawn: Any
) -> None:
    crew, call = a_crew(by, "Ash"), a_call(by, 1)
    browser = entered(supervisor)
    page = f"/calls/{call.public_id}"
    assert "Next visit" not in text_of(browser.get(page))
    plan = made(by)
    assert "Next visit" not in text_of(browser.get(page)), "a draft is told to nobody"
    plan_publish(plan=plan, version=plan.version, by=by)
    assert "Next visit Ash" in text_of(browser.get(page))
    assert "Next visit: Ash, Mon" in text_of(browser.get("/board"))
    day = f"/days/{plan.public_id}/crews/{crew.public_id}?day={MONDAY.date()}"
    assert "ask the office before you drive" not in text_of(browser.get(day))
    at_dawn.shift(dt.timedelta(minutes=5))
    held = FaultCall.objects.get(pk=call.pk)
    call_move(call=held, move=Move("cancelled", "it was the valve"), version=held.version, by=by)
    assert "This call is cancelled since" in text_of(browser.get(day))
