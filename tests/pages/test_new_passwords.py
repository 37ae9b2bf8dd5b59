"""A password is set anew by a link that an owner gives: signed, once, for a day."""

from __future__ import annotations

import datetime as dt

import pytest
import time_machine
from django.test import Client

from core.clock import now
from core.models import Change, Contractor, Person
from core.tenancy.scope import contractor_scope
from tests.api.asking import signed_in
from tests.conftest import PASSWORD
from tests.pages.conftest import entered, text_of

NEW = "six green valves in a row"


def a_link(owner: Person, person: Person) -> str:
    answer = signed_in(owner).post(f"/people/{person.public_id}/password-link")
    assert answer.status_code == 201
    link: str = answer.json()["link"]
    return link.removeprefix("http://testserver")


def opened(client: Client, link: str) -> str:
    """Where the form is: the token is out of the address by then."""
    answer = client.get(link)
    assert answer.status_code == 302, text_of(answer)
    assert answer["Location"].endswith("/set-password")
    return str(answer["Location"])


def sent(client: Client, address: str, password: str = NEW, again: str = "") -> int:
    fields = {"new_password": password, "again": again or password}
    return client.post(address, fields).status_code


def test_a_link_sets_the_password_once_and_ends_every_session(
    owner: Person, technician: Person, contractor: Contractor
) -> None:
    phone, desk = entered(technician), entered(technician)
    assert phone.get("/").status_code == 200
    link, visitor = a_link(owner, technician), Client()
    address = opened(visitor, link)
    assert sent(visitor, address) == 302
    for client in (phone, desk):
        assert client.get("/").status_code == 302, "a session outlived its password"
    signing = {"username": technician.sign_in_name, "password": PASSWORD}
    assert Client().post("/sign-in", signing).status_code == 422
    # Used once: not by the same browser, nor by another.
    assert "This link is over" in text_of(visitor.get(link))
    other = Client()
    assert "This link is over" in text_of(other.get(link))
    assert "This link is over" in text_of(other.post(link, {"new_password": "x", "again": "x"}))
    assert Client().post("/sign-in", signing | {"password": NEW}).status_code == 302
    with contractor_scope(contractor.pk):
        told = Change.objects.filter(object_id=technician.public_id).order_by("pk")
        assert [(one.action, one.actor_name) for one in told][-2:] == [
            ("person.password-link-issued", owner.name),
            ("person.password-set", technician.name),
        ]
        assert not [one for one in told if link.rpartition("/")[2] in str(one.after)]


def test_two_browsers_with_one_link_set_one_password(owner: Person, technician: Person) -> None:
    link = a_link(owner, technician)
    first, second = Client(), Client()
    addresses = opened(first, link), opened(second, link)
    assert sent(first, addresses[0]) == 302
    late = second.post(addresses[1], {"new_password": NEW + "!", "again": NEW + "!"})
    assert "This link is over" in text_of(late)
    signing = {"username": technician.sign_in_name, "password": NEW}
    assert Client().post("/sign-in", signing).status_code == 302


def test_what_is_weak_or_not_the_same_twice_is_asked_again(
    owner: Person, technician: Person
) -> None:
    visitor = Client()
    address = opened(visitor, a_link(owner, technician))
    assert sent(visitor, address, "short") == 422
    assert sent(visitor, address, "password1234") == 422
    assert sent(visitor, address, NEW, NEW + "!") == 422
    assert sent(visitor, address) == 302


def test_a_link_is_over_after_a_day(owner: Person, technician: Person) -> None:
    link = a_link(owner, technician)
    with time_machine.travel(now() + dt.timedelta(hours=23, minutes=59), tick=False):
        opened(Client(), link)
    with time_machine.travel(now() + dt.timedelta(hours=24, minutes=1), tick=False):
        assert "This link is over" in text_of(Client().get(link))


@pytest.mark.parametrize("spoil", ["token", "person", "ended"])
def test_a_link_that_is_not_right_opens_nothing(
    owner: Person, technician: Person, auditor: Person, spoil: str
) -> None:
    link = a_link(owner, technician)
    if spoil == "token":
        link = link[:-1] + ("0" if link[-1] != "0" else "1")
    elif spoil == "person":
        link = link.replace(technician.public_id, auditor.public_id)
    else:
        with contractor_scope(owner.contractor_id):
            Person.objects.filter(pk=technician.pk).update(is_active=False)
        refused = signed_in(owner).post(f"/people/{technician.public_id}/password-link")
        assert refused.status_code == 409
    assert "This link is over" in text_of(Client().get(link))


def test_an_owner_makes_a_link_on_the_page_and_others_do_not_see_it(
    owner: Person, technician: Person, supervisor: Person
) -> None:
    page = entered(owner).post(f"/people/{technician.public_id}/password-link")
    assert page.status_code == 200
    assert "no-store" in page["Cache-Control"]
    assert opened(Client(), page.context["link"].path)
    assert page.context["address"] in page.content.decode()
    for person in (technician, supervisor):
        assert entered(person).get("/people").status_code == 403
        address = f"/people/{technician.public_id}/password-link"
        assert entered(person).post(address).status_code == 403


@pytest.mark.parametrize("who", ["technician", "auditor"])
def test_everybody_sets_their_own_and_stays_signed_in_there_alone(
    request: pytest.FixtureRequest, who: str, contractor: Contractor
) -> None:
    person: Person = request.getfixturevalue(who)
    here, elsewhere = entered(person), entered(person)
    assert "your password" in text_of(here.get("/"))
    fields = {"password": PASSWORD, "new_password": NEW, "again": NEW}
    for wrong, told in (
        ({"password": "not that one"}, "This is not your password"),
        ({"again": NEW + "!"}, "the same password twice"),
        ({"new_password": "short", "again": "short"}, "at least 12"),
        ({"password": ""}, "password so far"),
    ):
        refused = here.post("/password", fields | wrong)
        assert refused.status_code == 422
        assert told in text_of(refused)
    assert elsewhere.get("/").status_code == 200
    assert here.post("/password", fields).status_code == 302
    assert "Your password is set." in text_of(here.get("/"))
    assert elsewhere.get("/").status_code == 302, "a session outlived its password"
    signing = {"username": person.sign_in_name, "password": NEW}
    assert Client().post("/sign-in", signing).status_code == 302
    with contractor_scope(contractor.pk):
        told_last = Change.objects.filter(object_id=person.public_id).latest("pk")
    assert (told_last.action, told_last.actor_name) == ("person.password-set", person.name)


def test_wrong_ones_told_at_the_own_password_lock_out_as_at_signing_in(technician: Person) -> None:
    here = entered(technician)
    fields = {"password": "not that one", "new_password": NEW, "again": NEW}
    statuses = [here.post("/password", fields).status_code for _ in range(8)]
    assert statuses == [422] * 7 + [429]
    assert here.post("/password", fields | {"password": PASSWORD}).status_code == 429


def test_who_is_not_signed_in_has_no_password_to_change() -> None:
    assert Client().get("/password").status_code == 302
