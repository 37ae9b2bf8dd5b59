"""Every error below /api/ is a problem document, wherever in the server it arises."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import OperationalError, connection
from django.test import Client
from rest_framework.response import Response

from api.accounts.people import Me, People
from core.models import Contractor
from tests.api.asking import Asker, assert_problem


@pytest.mark.parametrize("path", ["/api/", "/api/v1", "/api/v1/", "/api/v1/no-such", "/api/v2/me"])
def test_an_address_that_is_not_there(nobody: Asker, path: str) -> None:
    assert nobody.get(path).status_code == 404


@pytest.mark.parametrize("path", ["/api/v1/nothing", "/api/v1/me"])
def test_problems_carry_the_headers_that_pages_carry(client: Client, path: str) -> None:
    answer = client.get(path)
    assert answer["Content-Type"] == "application/problem+json"
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["X-Frame-Options"] == "DENY"
    assert "default-src 'none'" in answer["Content-Security-Policy"]
    assert answer["Referrer-Policy"] == "same-origin"


def test_a_forged_host_is_a_problem_before_the_way_to_https_too(
    nobody: Asker, settings: Any
) -> None:
    settings.SECURE_SSL_REDIRECT = True
    assert nobody.get("/me", Host="elsewhere.example").status_code == 400


def test_an_id_that_is_none_is_an_address_that_is_not_there(machine: Asker) -> None:
    assert machine.get("/people/per_short").status_code == 404
    assert machine.get("/people/%00").status_code == 404


def test_nobody_is_told_to_sign_in(nobody: Asker) -> None:
    answer = nobody.get("/me")
    assert answer.status_code == 401
    assert answer["WWW-Authenticate"].startswith("Bearer")
    assert "sign in, or send a token" in answer.json()["detail"]
    ended = nobody.get("/me", Authorization="Bearer clt_" + "x" * 43)
    assert (ended.status_code, "has ended or was revoked" in ended.json()["detail"]) == (401, True)


def test_a_scheme_is_the_same_in_small_letters(machine: Asker, nobody: Asker) -> None:
    assert nobody.get("/me", Authorization=f"bearer {machine.token}").status_code == 200


def test_a_method_that_is_not_taken_tells_which_are(machine: Asker) -> None:
    answer = machine.ask("DELETE", "/people")
    assert answer.status_code == 405
    assert answer["Allow"] == "GET, HEAD, POST"
    assert machine.ask("OPTIONS", "/people").status_code == 405
    assert machine.ask("BREW", "/people").status_code == 405


def test_a_forged_host(nobody: Asker) -> None:
    assert nobody.get("/me", Host="elsewhere.example").status_code == 400


def test_a_body_of_another_kind(machine: Asker) -> None:
    answer = machine.client.post(
        "/api/v1/crews",
        {"name": "x"},
        headers={"Authorization": f"Bearer {machine.token}"},
    )
    assert answer.status_code == 415
    assert_problem(answer)


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"{", "not JSON"),
        (b"\xff", "not UTF-8"),
        (b'{"name": NaN}', "NaN"),
        (b'{"name": Infinity}', "Infinity"),
        (b'{"name": 1e999}', "larger"),
        (b'{"name": "a", "name": "b"}', "twice"),
        (b'{"name": "\\u0000"}', "NUL"),
        (b'{"name": "\\ud800"}', "half a character"),
        (b"[" * 40 + b"]" * 40, "deeper"),
        (b"[" * 200_000, "deeper"),
        (b"[" + b"1," * 100_000 + b"1]", "more than"),
        (b'{"name": ' + b"9" * 5000 + b"}", "9… is larger than any number"),
    ],
)
def test_a_body_that_cannot_be_read(machine: Asker, body: bytes, words: str) -> None:
    answer = machine.post("/crews", body)
    assert answer.status_code == 400
    assert words in answer.json()["detail"]


def test_a_body_that_is_too_large(machine: Asker) -> None:
    assert machine.post("/crews", b" " * 1_000_001).status_code == 413


@pytest.mark.parametrize("body", [b"[]", b"null", b'"x"', b"7", b"true"])
def test_a_body_that_is_no_object(machine: Asker, body: bytes) -> None:
    answer = machine.post("/crews", body)
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == ""


def test_defects_point_into_the_body(machine: Asker) -> None:
    answer = machine.post("/crews", {"name": 3, "members": ["x"], "a/b~c": 1})
    assert answer.status_code == 422
    found = {error["pointer"]: error["detail"] for error in answer.json()["errors"]}
    assert set(found) == {"/name", "/members/0", "/a~1b~0c"}
    assert found["/name"] == "is no text; a text is expected"


def test_defects_of_a_query_name_parameters(machine: Asker) -> None:
    answer = machine.get("/people?limit=0&colour=red&sort=size")
    assert answer.status_code == 422
    told = {error["parameter"]: error["detail"] for error in answer.json()["errors"]}
    assert set(told) == {"limit", "colour", "sort"}
    assert told["sort"].startswith("is not one of: ")
    flag = machine.get("/properties?with_ended=perhaps").json()["errors"]
    assert flag == [{"parameter": "with_ended", "detail": "is neither true nor false"}]
    twice = machine.get("/people?limit=1&limit=2")
    assert twice.json()["errors"] == [{"parameter": "limit", "detail": "is given more than once"}]


def test_a_defect_of_ours_is_told_without_its_inside(
    machine: Asker, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any) -> Response:
        raise RuntimeError("a secret detail")

    monkeypatch.setattr(Me, "get", broken)
    answer = machine.get("/me")
    assert answer.status_code == 500
    assert "secret" not in answer.content.decode()


@pytest.mark.parametrize(
    ("words", "status"),
    [
        ("server closed the connection unexpectedly", 503),
        ("database is locked", 503),
        ("database or disk is full", 507),
    ],
)
def test_a_database_in_trouble(
    machine: Asker, monkeypatch: pytest.MonkeyPatch, words: str, status: int
) -> None:
    def away(*_: Any) -> Response:
        raise OperationalError(words)

    monkeypatch.setattr(Me, "get", away)
    answer = machine.get("/me")
    assert answer.status_code == status
    assert (answer.headers.get("Retry-After") == "1") is (status == 503)
    assert words not in answer.content.decode()


def test_a_database_away_before_any_view(
    contractor: Contractor, monkeypatch: pytest.MonkeyPatch
) -> None:
    def away(*_: Any, **__: Any) -> None:
        raise OperationalError("connection refused")

    monkeypatch.setattr("core.accounts.middleware.token_actor", away)
    client = Client(raise_request_exception=False)
    answer = client.get("/api/v1/me", headers={"Authorization": "Bearer clt_" + "x" * 40})
    assert answer.status_code == 503
    assert answer["Retry-After"] == "1"
    assert_problem(answer)


@pytest.mark.django_db(transaction=True)
def test_what_loses_against_others_is_tried_three_times(
    machine: Asker, monkeypatch: pytest.MonkeyPatch
) -> None:
    tried = []

    def losing(*_: Any) -> Response:
        tried.append(1)
        if len(tried) < 3:
            raise OperationalError("database is locked")
        return Response({})

    assert not connection.in_atomic_block
    monkeypatch.setattr(People, "get", losing)
    assert machine.get("/people").status_code == 200
    tried.extend([1] * -3)
    tried.clear()
    monkeypatch.setattr(
        People, "get", lambda *_: tried.append(1) or _raise(OperationalError("database is locked"))
    )
    assert machine.get("/people").status_code == 503
    assert len(tried) == 3


def _raise(error: Exception) -> Response:
    raise error


def test_answers_are_not_cached_and_name_their_request(machine: Asker) -> None:
    answer = machine.get("/me")
    assert answer["Cache-Control"] == "no-store"
    assert answer["X-Request-Id"].startswith("req_")
    refused = machine.get("/people/per_" + "0" * 26)
    assert refused.json()["instance"].endswith(refused["X-Request-Id"])
