"""Bodies that are too large are refused unread, whoever sends them and wherever to."""

from __future__ import annotations

import io
from typing import Any

import pytest
from django.test import Client

from core.body_limit import API_MOST_BYTES, PAGES_MOST_BYTES

FORM = "multipart/form-data; boundary=x"


class Unread(io.BytesIO):
    """A body that tells whether anybody asked for it."""

    asked = False

    def read(self, *_: Any) -> bytes:
        self.asked = True
        return b""

    readline = read


def sent(path: str, **environ: Any) -> tuple[Any, Unread]:
    body = Unread()
    client = Client(enforce_csrf_checks=True, raise_request_exception=False)
    client.cookies["csrftoken"] = "a" * 32
    more = {"wsgi.input": body, "CONTENT_TYPE": FORM, **environ}
    return client.generic("POST", path, **more), body


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("path", "most"),
    [
        ("/sign-in", PAGES_MOST_BYTES),
        ("/paths/path_1/survey/more", PAGES_MOST_BYTES),
        ("/paths/path_1/survey", API_MOST_BYTES),
        ("/controllers/ctl_1/survey", API_MOST_BYTES),
        ("/api/v1/surveys", API_MOST_BYTES),
    ],
)
def test_a_body_that_is_too_large_is_not_read(path: str, most: int) -> None:
    answer, body = sent(path, CONTENT_LENGTH=str(most + 1))
    assert (answer.status_code, body.asked) == (413, False)
    assert answer["X-Frame-Options"] == "DENY"
    within, _ = sent(path, CONTENT_LENGTH=str(most))
    assert within.status_code not in (411, 413)


def test_a_body_in_chunks_is_not_read() -> None:
    answer, body = sent("/sign-in", HTTP_TRANSFER_ENCODING="chunked")
    assert (answer.status_code, body.asked) == (411, False)


@pytest.mark.parametrize(
    ("environ", "status", "code"),
    [
        ({"CONTENT_LENGTH": "9" * 30}, 413, "too-large"),
        ({"HTTP_TRANSFER_ENCODING": "chunked"}, 411, "length-required"),
    ],
)
def test_below_the_api_it_is_a_problem(environ: dict[str, str], status: int, code: str) -> None:
    answer, _ = sent("/api/v1/surveys", **environ)
    assert (answer.status_code, answer["Content-Type"]) == (status, "application/problem+json")
    assert answer.json()["type"] == f"urn:clampline:problem:{code}"


@pytest.mark.django_db
def test_a_length_that_is_no_number_is_no_body() -> None:
    answer, _ = sent("/sign-in", CONTENT_LENGTH="many")
    assert answer.status_code == 403
