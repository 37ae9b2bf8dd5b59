"""A POST that is sent twice with one key has one effect."""

from __future__ import annotations

import datetime as dt
import json
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
import time_machine
from django.db import OperationalError, connection

from api import idempotency
from api.idempotency import KEPT_FOR, REPLAYED, forget_old_answers
from api.models import KeptAnswer
from core.accounts.actor import system_actor
from core.clock import now
from core.environment import handed_on
from core.models import Contractor, Crew
from core.tenancy.scope import contractor_scope
from tests.api.asking import Asker
from tests.api.hundred_threads import CASES, found_by_threads
from tests.api.things import a_call
from tests.architecture.house import ROOT
from tests.begun import migrated_sqlite

PROGRAM = """
import django
django.setup()
from tests.api.hundred_threads import main
main()
"""
CREW = {"name": "North", "members": []}


def crews(contractor: Contractor) -> int:
    with contractor_scope(contractor.pk):
        return Crew.objects.count()


def test_the_same_request_is_answered_alike_and_has_one_effect(
    machine: Asker, contractor: Contractor
) -> None:
    first = machine.post("/crews", CREW, Idempotency_Key="k1")
    again = machine.post("/crews", {"members": [], "name": "North"}, Idempotency_Key="k1")
    assert (first.status_code, again.status_code) == (201, 201)
    assert (first.json(), first["ETag"]) == (again.json(), again["ETag"])
    assert REPLAYED not in first
    assert again[REPLAYED] == "true"
    assert crews(contractor) == 1


@pytest.mark.parametrize("body", [{"name": "South", "members": []}, {}, []])
def test_a_key_stands_for_one_request(machine: Asker, contractor: Contractor, body: Any) -> None:
    machine.post("/crews", CREW, Idempotency_Key="k1")
    assert machine.post("/crews", body, Idempotency_Key="k1").status_code == 422
    elsewhere = machine.post("/tokens", CREW, Idempotency_Key="k1")
    assert "used for another request" in elsewhere.json()["detail"]
    assert crews(contractor) == 1


def test_what_was_refused_keeps_no_key(machine: Asker, contractor: Contractor) -> None:
    assert machine.post("/crews", {"name": 1}, Idempotency_Key="k1").status_code == 422
    assert machine.post("/crews", CREW, Idempotency_Key="k1").status_code == 201
    with contractor_scope(contractor.pk):
        assert KeptAnswer.objects.count() == 1


def test_keys_of_others_are_theirs(
    machine: Asker, other_machine: Asker, boss: Asker, other_contractor: Contractor
) -> None:
    first = machine.post("/crews", CREW, Idempotency_Key="k1")
    other = other_machine.post("/crews", CREW, Idempotency_Key="k1")
    assert first.json()["id"] != other.json()["id"]
    assert boss.post("/crews", CREW, Idempotency_Key="k1").status_code == 409
    assert crews(other_contractor) == 1


@pytest.mark.parametrize("key", ["", "two words", "x" * 201, "ü"])
def test_a_key_has_a_form(machine: Asker, key: str) -> None:
    assert machine.post("/crews", CREW, Idempotency_Key=key).status_code == 422


def test_answers_are_forgotten_after_a_while(machine: Asker, contractor: Contractor) -> None:
    machine.post("/crews", CREW, Idempotency_Key="k1")
    assert forget_old_answers() == 0
    with time_machine.travel(now() + KEPT_FOR + dt.timedelta(minutes=1)):
        assert forget_old_answers() == 1


@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite runs this in a process")
@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("name", CASES)
def test_a_hundred_threads_with_one_key_on_postgresql(contractor: Contractor, name: str) -> None:
    assert found_by_threads(contractor, name) == CASES[name].told


@pytest.mark.slow
def test_a_hundred_threads_with_one_key_on_sqlite(tmp_path: Path) -> None:
    shutil.copyfile(migrated_sqlite(), tmp_path / "clampline.sqlite3")
    environment = handed_on(
        CLAMPLINE_SQLITE_FILE=str(tmp_path / "clampline.sqlite3"),
        DJANGO_SETTINGS_MODULE="core.settings.embedded",
        CLAMPLINE_SECRET_KEY="for tests only",  # noqa: S106
        CLAMPLINE_ALLOWED_HOSTS="testserver",
    )
    ran = subprocess.run(
        [sys.executable, "-c", PROGRAM],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=600,
    )
    assert ran.returncode == 0, ran.stderr
    found = {name: Counter(counts) for name, counts in json.loads(ran.stdout).items()}
    assert found == {name: case.told for name, case in CASES.items()}


@pytest.mark.django_db(transaction=True)
def test_an_answer_that_is_kept_at_the_second_try_is_the_first_one_s(
    machine: Asker, contractor: Contractor, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The effect is there by then: the request must not be run again for a busy database."""
    with contractor_scope(contractor.pk):
        call = a_call(system_actor(contractor.pk, "tests"))
    kept, busy = idempotency._keep, iter([True])

    def keep(*arguments: Any) -> None:
        if next(busy, False):
            raise OperationalError("database is locked")
        kept(*arguments)

    monkeypatch.setattr("api.idempotency._keep", keep)
    monkeypatch.setattr("api.idempotency.WAITED_S", 0.2)
    first = machine.post("/traces", {"call": call}, Idempotency_Key="b1")
    again = machine.post("/traces", {"call": call}, Idempotency_Key="b1")
    assert (first.status_code, again.status_code) == (201, 201), first.json()
    assert (first.json(), again[REPLAYED]) == (again.json(), "true")


def test_a_crash_before_the_answer_is_kept_leaves_one_effect(
    machine: Asker, contractor: Contractor, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the engine runs, the effect is stored by itself and the answer after it."""
    with contractor_scope(contractor.pk):
        call = a_call(system_actor(contractor.pk, "tests"))

    def crash(*_: Any) -> None:
        raise RuntimeError("killed here")

    with monkeypatch.context() as patched:
        patched.setattr("api.idempotency._keep", crash)
        assert machine.post("/traces", {"call": call}, Idempotency_Key="c1").status_code == 500
    monkeypatch.setattr("api.idempotency.WAITED_S", 0.2)
    waits = machine.post("/traces", {"call": call}, Idempotency_Key="c1")
    assert (waits.status_code, waits["Retry-After"]) == (409, "2")
    assert waits.json()["type"].endswith("under-way")
    for minutes in (2, 3):
        with time_machine.travel(now() + dt.timedelta(minutes=minutes)):
            again = machine.post("/traces", {"call": call}, Idempotency_Key="c1")
        assert again.json()["type"].endswith("conflict"), "left to the next as it was"
    traces = machine.get("/traces").json()["items"]
    assert (again.status_code, again.json()["trace"]) == (409, traces[0]["id"])
    assert len(traces) == 1
    other = machine.post("/traces", {"call": call, "known": {}}, Idempotency_Key="c1")
    assert other.status_code == 422
