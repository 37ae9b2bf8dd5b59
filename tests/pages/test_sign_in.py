"""Signing in and out: who gets in, and what those who do not get in can learn."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from django.core.cache import cache
from django.test import Client

from core.models import Person
from core.pages import sign_in
from core.settings import base
from core.tenancy.scope import contractor_scope
from tests.conftest import PASSWORD
from tests.pages.conftest import Entering, text_of


@pytest.fixture(autouse=True)
def _nothing_counted_before() -> Iterator[None]:
    cache.clear()
    yield
    cache.clear()


def test_the_right_password_leads_to_the_page_that_was_wanted(technician: Person) -> None:
    client = Client()
    asked = client.get("/properties?page=2")
    assert (asked.status_code, asked["Location"]) == (302, "/sign-in?next=/properties%3Fpage%3D2")
    answer = client.post(
        "/sign-in",
        {
            "username": technician.sign_in_name,
            "password": PASSWORD,
            "next": "/properties?page=2",
        },
    )
    assert (answer.status_code, answer["Location"]) == (302, "/properties?page=2")
    assert client.get("/properties").status_code == 200


@pytest.mark.parametrize(
    "elsewhere", ["https://elsewhere.example/", "//elsewhere.example", "javascript:alert(1)"]
)
def test_nobody_is_sent_to_another_site(technician: Person, elsewhere: str) -> None:
    said = {"username": technician.sign_in_name, "password": PASSWORD, "next": elsewhere}
    assert Client().post("/sign-in", said)["Location"] == "/"


def test_an_unknown_name_is_answered_as_a_wrong_password(technician: Person) -> None:
    pages = []
    for name in (technician.sign_in_name, "nobody@nowhere"):
        answer = Client().post("/sign-in", {"username": name, "password": "not-the-password"})
        page = answer.content.decode().replace(name, "NAME")
        page = re.sub(r'name="csrfmiddlewaretoken" value="[^"]*"', "", page)
        pages.append((answer.status_code, page))
    assert pages[0] == pages[1]
    assert pages[0][0] == 422
    assert "do not go together" in pages[0][1]


def test_the_password_is_not_sent_back(technician: Person) -> None:
    said = {"username": technician.sign_in_name, "password": "a-secret-of-mine"}
    answer = Client().post("/sign-in", said)
    assert b"a-secret-of-mine" not in answer.content
    assert technician.sign_in_name in answer.content.decode()


@pytest.mark.parametrize("known", [True, False])
def test_after_too_many_wrong_passwords_even_the_right_one_is_refused(
    technician: Person, *, known: bool
) -> None:
    client = Client()
    name = technician.sign_in_name if known else "nobody@nowhere"
    statuses = [
        client.post("/sign-in", {"username": name, "password": "wrong"}).status_code
        for _ in range(base.AXES_FAILURE_LIMIT)
    ]
    assert statuses == [422] * (base.AXES_FAILURE_LIMIT - 1) + [429]
    answer = client.post("/sign-in", {"username": name, "password": PASSWORD})
    assert (answer.status_code, answer["Retry-After"]) == (429, "900")
    assert "Too many tries" in text_of(answer)


def test_wrong_passwords_from_elsewhere_lock_nobody_out_here(
    technician: Person, settings: Any
) -> None:
    settings.PROXIES = 1
    name = technician.sign_in_name

    def tried(password: str, address: str) -> int:
        said = {"username": name, "password": password}
        return Client().post("/sign-in", said, headers={"X-Forwarded-For": address}).status_code

    assert [tried("wrong", "203.0.113.9") for _ in range(base.AXES_FAILURE_LIMIT)][-1] == 429
    assert tried(PASSWORD, "203.0.113.9, 203.0.113.9") == 429
    assert tried(PASSWORD, "203.0.113.9, 198.51.100.7") == 302


def test_one_address_tries_only_so_many_names(
    technician: Person, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sign_in, "MOST_WRONG", 3)
    right = {"username": technician.sign_in_name, "password": PASSWORD}
    assert [Client().post("/sign-in", right).status_code for _ in range(5)] == [302] * 5
    statuses = [
        Client().post("/sign-in", {"username": f"name {n}", "password": "wrong"}).status_code
        for n in range(4)
    ]
    assert statuses == [422, 422, 422, 429]
    answer = Client().post("/sign-in", right)
    assert (answer.status_code, answer["Retry-After"]) == (429, "900")


def test_others_get_in_while_one_name_is_locked(technician: Person, auditor: Person) -> None:
    client = Client()
    for _ in range(base.AXES_FAILURE_LIMIT):
        client.post("/sign-in", {"username": technician.sign_in_name, "password": "wrong"})
    said = {"username": auditor.sign_in_name, "password": PASSWORD}
    assert client.post("/sign-in", said).status_code == 302


def test_somebody_who_was_put_off_the_list_does_not_get_in(technician: Person) -> None:
    with contractor_scope(technician.contractor_id):
        technician.is_active = False
        technician.save()
    said = {"username": technician.sign_in_name, "password": PASSWORD}
    assert Client().post("/sign-in", said).status_code == 422


def test_the_session_gets_a_new_name_at_sign_in(technician: Person) -> None:
    client = Client()
    before = client.session
    before["left"] = "from before"
    before.save()
    name = before.session_key
    said = {"username": technician.sign_in_name, "password": PASSWORD}
    client.post("/sign-in", said)
    assert client.session.session_key not in (None, name)


def test_signing_out_ends_the_session_and_wipes_what_the_browser_kept(
    technician: Person, enter: Entering
) -> None:
    client = enter(technician)
    assert client.get("/sign-out").status_code == 405
    answer = client.post("/sign-out")
    assert answer["Clear-Site-Data"] == '"storage"'
    assert client.get("/").status_code == 302


def test_a_form_without_its_token_changes_nothing(technician: Person) -> None:
    client = Client(enforce_csrf_checks=True)
    said = {"username": technician.sign_in_name, "password": PASSWORD}
    answer = client.post("/sign-in", said)
    assert answer.status_code == 403
    assert "Nothing was changed" in text_of(answer)
    assert client.get("/").status_code == 302
