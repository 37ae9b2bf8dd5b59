"""Commands of whoever runs an installation: its first contractor, and a feed after a restore."""

from __future__ import annotations

import io
import sys
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from core.accounts.actor import Actor
from core.changes.feed import feed_read
from core.changes.sequencer import sequence_changes
from core.models import Change, Contractor, Person
from core.problems import Gone
from core.tenancy.scope import contractor_scope, everywhere
from tests.core.test_changes import record

OPTIONS = {"time_zone": "Europe/Madrid", "owner": "Ida Moss", "sign_in": "ida@fern"}
PASSWORD = "weathered-oak-trellis"  # noqa: S105 - of a person who exists in tests alone


def begun(monkeypatch: pytest.MonkeyPatch, said: str = PASSWORD, **changes: Any) -> str:
    monkeypatch.setattr(sys, "stdin", io.StringIO(f"{said}\n"))
    out = io.StringIO()
    call_command("begin_contractor", "Fern Water", **OPTIONS | changes, stdout=out)
    return out.getvalue()


@pytest.mark.django_db
def test_an_owner_signs_in_and_may_take_others_on(monkeypatch: pytest.MonkeyPatch) -> None:
    told = begun(monkeypatch)
    assert "sign in as ida@fern" in told
    assert PASSWORD not in told
    client = Client()
    sent = {"username": "ida@fern", "password": PASSWORD}
    assert client.post("/sign-in", sent)["Location"] == "/"
    assert client.get("/api/v1/people").status_code == 200
    with everywhere(reason="a test looks"):
        assert Contractor.objects.get().time_zone == "Europe/Madrid"
        assert PASSWORD not in str(list(Change.objects.values_list("after", flat=True)))


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("said", "changes", "told"),
    [
        ("short", {}, "password"),
        (PASSWORD, {"time_zone": "Mars/Base"}, "Europe/Madrid"),
        ("", {}, "password"),
    ],
)
def test_what_does_not_fit_creates_nothing(
    monkeypatch: pytest.MonkeyPatch, said: str, changes: dict[str, str], told: str
) -> None:
    with pytest.raises(CommandError, match=told):
        begun(monkeypatch, said, **changes)
    with everywhere(reason="a test looks"):
        assert not Contractor.objects.exists()
        assert not Person.objects.exists()


def test_after_a_restore_old_cursors_and_those_beyond_the_end_are_gone(
    by: Actor, other_contractor: Contractor
) -> None:
    for name in "abc":
        record(by, name)
    sequence_changes()
    seen = feed_read().cursor
    epoch, _, position = seen.partition(".")
    with pytest.raises(Gone, match="no such place"):
        feed_read(after=f"{epoch}.{int(position) + 1}")
    out = io.StringIO()
    call_command("begin_feed_epoch", why="copy of Sunday", stdout=out)
    assert out.getvalue().startswith("2 feeds")
    with pytest.raises(Gone, match="restored"):
        feed_read(after=seen)
    assert len(feed_read().entries) == 3
    with contractor_scope(other_contractor.pk):
        assert feed_read().cursor.startswith("2.")
    with pytest.raises(CommandError, match="characters"):
        call_command("begin_feed_epoch", why=" ")
