"""The page that says what a visit wants of a crew."""

from __future__ import annotations

import pytest
from django.test import Client

from core.accounts.actor import Actor, Role
from core.models import Contractor
from core.tenancy.scope import contractor_scope
from faults.models import CallNeeds, FaultCall
from faults.services.calls import Where, call_open
from tests.conftest import person_of
from tests.faults.places import path_at_new_place
from tests.pages.conftest import Entering, text_of

pytestmark = pytest.mark.django_db
SAID = {
    "version": "0",
    "people": "2",
    "skills": "digging",
    "tools": "cable locator, pump",
    "parts": "4 splice kit",
    "access": "mon-fri 08:00-16:00",
}


@pytest.fixture
def call(by: Actor) -> FaultCall:
    return call_open(where=Where.of_path(path_at_new_place(by)), by=by)


@pytest.fixture
def technician(contractor: Contractor, enter: Entering) -> Client:
    return enter(person_of(contractor, Role.TECHNICIAN, "Tove"))


def test_what_is_said_is_kept_and_told_on_the_call(
    technician: Client, call: FaultCall, contractor: Contractor
) -> None:
    address = f"/calls/{call.public_id}/wants"
    answer = technician.post(address, SAID, follow=True)
    told = text_of(answer)
    assert "2 people, digging, cable locator, pump, 4 splice kit, one is let in mon-fri" in told
    assert "mon-fri 08:00-16:00 only" in told
    with contractor_scope(contractor.pk):
        needs = CallNeeds.objects.get()
    assert (needs.people, needs.skills, needs.parts) == (2, ["digging"], {"splice kit": 4})
    assert [row["weekday"] for row in needs.access] == [0, 1, 2, 3, 4]
    shown = technician.get(address).content.decode()
    assert "mon-fri 08:00-16:00" in shown
    assert "cable locator, pump" in shown


@pytest.mark.parametrize(
    ("field", "wrong", "told"),
    [
        ("access", "whenever", "cannot be read"),
        ("access", "mon 25:00-26:00", "cannot be read"),
        ("parts", "some kits", "does not fit"),
        ("people", "0", "greater than or equal to 1"),
        ("skills", "DIG!", "does not fit"),
    ],
)
def test_what_does_not_fit_is_told_and_nothing_typed_is_lost(
    technician: Client, call: FaultCall, field: str, wrong: str, told: str
) -> None:
    answer = technician.post(f"/calls/{call.public_id}/wants", SAID | {field: wrong})
    assert answer.status_code == 422
    assert told in text_of(answer)
    assert "cable locator, pump" in answer.content.decode()


def test_who_was_overtaken_is_told(technician: Client, call: FaultCall) -> None:
    address = f"/calls/{call.public_id}/wants"
    technician.post(address, SAID)
    assert technician.post(address, SAID).status_code in (409, 412)


def test_the_hours_of_the_report_stand_there_already(
    technician: Client, call: FaultCall, contractor: Contractor
) -> None:
    with contractor_scope(contractor.pk):
        FaultCall.objects.filter(pk=call.pk).update(access_hours="tue 09:00-11:00")
    shown = technician.get(f"/calls/{call.public_id}/wants").content.decode()
    assert shown.count("tue 09:00-11:00") == 2
