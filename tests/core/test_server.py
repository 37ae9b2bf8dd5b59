"""The server as it stands: it answers that it is alive, and tells nothing of its inside."""

from __future__ import annotations

import pytest
from django.core.management import call_command
from django.test import Client


def test_the_checks_of_the_framework_pass() -> None:
    call_command("check", fail_level="WARNING")


def test_alive() -> None:
    answer = Client().get("/livez")
    assert answer.status_code == 200
    assert answer.json() == {"status": "alive"}
    assert "no-store" in answer["Cache-Control"]
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["X-Frame-Options"] == "DENY"


def test_alive_cannot_be_posted_to() -> None:
    assert Client().post("/livez").status_code == 405


@pytest.mark.parametrize("address", ["/admin/", "/api/v1/", "/nowhere"])
def test_what_is_not_there_is_said_without_a_look_inside(address: str) -> None:
    answer = Client().get(address)
    assert answer.status_code == 404
    assert b"Traceback" not in answer.content


def test_a_forged_host_is_refused() -> None:
    assert Client().get("/livez", headers={"host": "elsewhere.example"}).status_code == 400
