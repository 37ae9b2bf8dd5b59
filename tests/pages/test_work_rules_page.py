"""The contractor's rules for work, as their page sets them."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from django.http import HttpResponse
from django.test import Client

from core.accounts.actor import Actor
from core.models import Person
from core.tenancy.scope import contractor_scope
from faults.models import WorkRules
from faults.services.work_rules import work_rules
from tests.api.asking import signed_in
from tests.pages.conftest import entered, text_of

PAGE = "/work-rules"
GOOD = {
    "version": "0",
    "fold_hours": "48",
    "soak_from_days": "5",
    "soak_by_days": "10",
    "repair_min": "45",
    "currency": "eur",
    "hour_money": "64,50",
    "renew_metre_money": "",
    "renew_metre_min": "2.5",
}


def posted(client: Client, **changes: str) -> HttpResponse:
    found: Any = client.post(PAGE, GOOD | changes)
    return found


def held(by: Actor) -> WorkRules:
    with contractor_scope(by.contractor_id):
        return work_rules()


def test_a_supervisor_finds_and_sets_them_and_sent_twice_they_are_set_once(
    by: Actor, supervisor: Person
) -> None:
    client = entered(supervisor)
    assert f'href="{PAGE}"' in client.get("/board").content.decode()
    assert 'value="336"' in client.get(PAGE).content.decode()
    assert posted(client).status_code == 302
    assert posted(client).status_code == 302
    rules = held(by)
    assert (rules.version, rules.fold_hours, rules.repair_min) == (1, 48, 45.0)
    assert (rules.currency, rules.hour_money) == ("EUR", Decimal("64.50"))
    assert rules.renew_metre_money is None
    over_http = signed_in(supervisor).get("/work-rules").json()
    assert (over_http["soak_from_days"], over_http["soak_by_days"]) == (5, 10)
    assert (over_http["hour_money"], over_http["renew_metre_min"]) == ("64.50", 2.5)
    page = client.get(PAGE).content.decode()
    assert 'value="64.50"' in page
    assert 'value="45"' in page
    # What another has set meanwhile is not written over, and what was typed stays.
    stale = posted(client, fold_hours="72")
    assert stale.status_code == 412
    assert "read them again" in text_of(stale)
    assert 'value="72"' in stale.content.decode()
    assert held(by).fold_hours == 48


@pytest.mark.parametrize(
    ("name", "value", "told"),
    [
        ("fold_hours", "0", "0 is out of range; right: 1 to 8784"),
        ("fold_hours", "two", "Enter a whole number"),
        ("soak_by_days", "4", "4 is before the first day; right: 5 or later"),
        ("repair_min", "", "This is missing"),
        ("repair_min", "10001", "10001 is out of range; right: 0 to 10000"),
        ("hour_money", "1,200", "without a comma"),
        ("hour_money", "2000000", "right: 0 to 1000000"),
        ("currency", "", "money wants a currency"),
        ("currency", "€€€", "a code like EUR"),
        ("currency", "E1R", "a code like EUR"),
    ],
)
def test_what_does_not_fit_is_told_at_its_field(
    by: Actor, supervisor: Person, name: str, value: str, told: str
) -> None:
    answer = posted(entered(supervisor), **{name: value})
    assert answer.status_code == 422
    at_field = answer.content.decode().partition(f'id="id_{name}_error"')[2].partition("</ul>")[0]
    assert told in at_field
    assert at_field.count("<li>") == 1
    assert held(by).version == 0


def test_technicians_and_auditors_read_them_and_set_none(
    by: Actor, owner: Person, technician: Person, auditor: Person
) -> None:
    for person in (technician, auditor):
        client = entered(person)
        page = client.get(PAGE)
        assert "336 hours" in text_of(page)
        assert "Supervisors and owners set them" in text_of(page)
        assert b"fold_hours" not in page.content
        assert posted(client).status_code == 403
    assert held(by).version == 0
    assert posted(entered(owner)).status_code == 302
    assert "64.50 EUR" in text_of(entered(auditor).get(PAGE))
