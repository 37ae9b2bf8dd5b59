"""Who asks is found in the session or the token, and the request runs in their scope."""

from __future__ import annotations

import datetime as dt

import pytest
from django.http import HttpRequest, HttpResponse
from django.test import Client, RequestFactory

from core.accounts.actor import TokenScope, system_actor
from core.accounts.middleware import ActorMiddleware
from core.accounts.tokens import token_issue
from core.models import Contractor, Person
from core.tenancy.scope import ScopeMissingError, contractor_scope, current_scope


def answer_scope(request: HttpRequest) -> HttpResponse:
    try:
        return HttpResponse(str(current_scope()))
    except ScopeMissingError:
        return HttpResponse("none")


def ask(client: Client | None = None, **headers: str) -> str:
    request = RequestFactory().get("/", headers=headers)
    request.session = client.session if client else {}
    answer = ActorMiddleware(answer_scope)(request)
    assert answer.headers["X-Request-Id"].startswith("req_")
    return bytes(answer.content).decode()


def token_of(contractor: Contractor) -> str:
    day = dt.timedelta(days=1)
    by = system_actor(contractor.pk, "tests")
    with contractor_scope(contractor.pk):
        return token_issue(name="gateway", scopes=[TokenScope.READ], lifetime=day, by=by)[1]


def test_nobody_has_no_scope(db: None) -> None:
    assert ask() == "none"


def test_a_session_has_its_persons_scope(technician: Person, contractor: Contractor) -> None:
    client = Client()
    with contractor_scope(contractor.pk):
        client.force_login(technician, backend="core.accounts.sign_in.PersonBackend")
    assert ask(client) == str(contractor.pk)


def test_a_token_has_its_contractors_scope(contractor: Contractor) -> None:
    assert ask(Authorization=f"Bearer {token_of(contractor)}") == str(contractor.pk)


@pytest.mark.parametrize("header", ["Bearer nonsense-of-some-length", "Basic dTpw", "Bearer", ""])
def test_a_bad_token_beside_a_session_is_nobodys(
    technician: Person, contractor: Contractor, header: str
) -> None:
    client = Client()
    with contractor_scope(contractor.pk):
        client.force_login(technician, backend="core.accounts.sign_in.PersonBackend")
    assert ask(client, Authorization=header) == "none"
