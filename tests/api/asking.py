"""Asking the API in tests, as somebody."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Collection
from typing import Any

from django.test import Client

from core.accounts.actor import TokenScope, system_actor
from core.accounts.tokens import token_issue
from core.models import Contractor, Person
from core.tenancy.scope import contractor_scope

# The test client gives its answers members of its own, such as json().
Answer = Any

ROOT = "/api/v1"
PROBLEM = "application/problem+json"


class Asker:
    """Sends requests as one person, one token, or nobody; every error has to be a problem."""

    def __init__(self, client: Client | None = None, token: str = "", name: str = "nobody") -> None:
        self.client = client or Client(raise_request_exception=False)
        self.token = token
        self.name = name

    def ask(self, method: str, path: str, body: Any = None, **headers: str) -> Answer:
        """The answer; underscores of header names stand for hyphens."""
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        if self.token:
            sent["Authorization"] = f"Bearer {self.token}"
        content_type = sent.pop("Content-Type", "application/json")
        text = body if isinstance(body, bytes | str) else json.dumps(body)
        answer = self.client.generic(
            method,
            path if path.startswith("/api") else ROOT + path,
            b"" if body is None else text,
            content_type=content_type,
            headers=sent,
        )
        if answer.status_code >= 400:
            assert_problem(answer)
        return answer

    def get(self, path: str, **headers: str) -> Answer:
        return self.ask("GET", path, **headers)

    def post(self, path: str, body: Any = None, **headers: str) -> Answer:
        return self.ask("POST", path, {} if body is None else body, **headers)

    def patch(self, path: str, body: Any, **headers: str) -> Answer:
        return self.ask("PATCH", path, body, **headers)

    def put(self, path: str, body: Any, **headers: str) -> Answer:
        return self.ask("PUT", path, body, **headers)


def assert_problem(answer: Answer) -> None:
    """A problem document that says what its status says, and nothing of the inside."""
    assert answer["Content-Type"] == PROBLEM, (answer.status_code, answer.content[:300])
    document = answer.json()
    assert document["status"] == answer.status_code
    assert document["type"].startswith("urn:clampline:problem:")
    assert document["title"]
    assert document["detail"]
    for error in document.get("errors", ()):
        assert set(error) <= {"pointer", "parameter", "detail", "expected"}
        assert ("pointer" in error) != ("parameter" in error)
    text = answer.content.decode()
    for inside in ("Traceback", "SELECT ", 'File "', "psycopg", "sqlite"):
        assert inside not in text


def signed_in(person: Person) -> Asker:
    """A person with a session, sending the CSRF check past (the check has tests of its own)."""
    client = Client(raise_request_exception=False)
    with contractor_scope(person.contractor_id):
        client.force_login(person, backend="core.accounts.sign_in.PersonBackend")
    return Asker(client, name=person.sign_in_name)


def with_token(contractor: Contractor, scopes: Collection[TokenScope]) -> Asker:
    """A machine with a token of these scopes."""
    with contractor_scope(contractor.pk):
        _, secret = token_issue(
            name="gateway",
            scopes=scopes,
            lifetime=dt.timedelta(days=1),
            by=system_actor(contractor.pk, "tests"),
        )
    return Asker(token=secret, name="+".join(sorted(scopes)))
