"""Pages, order and filters of lists; the feed; limits."""

from __future__ import annotations

import re
from typing import Any

import pytest

from core.accounts.actor import system_actor
from core.changes.sequencer import sequence_changes
from core.clock import now
from core.models import Contractor, FeedEpoch
from core.tenancy.scope import contractor_scope
from tests.api.asking import Asker
from tests.api.things import a_crew

NAMES = ["Elm", "Ash", "Oak", "Fir", "Yew"]


@pytest.fixture
def five_crews(contractor: Contractor) -> None:
    with contractor_scope(contractor.pk):
        for name in NAMES:
            a_crew(system_actor(contractor.pk, "tests"), name)


def names_over_pages(machine: Asker, path: str) -> list[str]:
    """Follow the links from page to page."""
    found: list[str] = []
    while path:
        answer = machine.get(path)
        assert answer.status_code == 200
        found += [item["name"] for item in answer.json()["items"]]
        link = re.fullmatch(
            r'<http://testserver(/api/v1/[^>]+)>; rel="next"', answer.get("Link", "")
        )
        assert bool(link) == (answer.json()["next_cursor"] is not None)
        path = link[1] if link else ""
    return found


@pytest.mark.parametrize("limit", [1, 2, 5, 200])
def test_pages_hold_every_row_once(machine: Asker, five_crews: None, limit: int) -> None:
    assert names_over_pages(machine, f"/crews?limit={limit}") == NAMES
    assert names_over_pages(machine, f"/crews?limit={limit}&sort=name") == sorted(NAMES)
    backwards = names_over_pages(machine, f"/crews?limit={limit}&sort=-name")
    assert backwards == sorted(NAMES, reverse=True)


def test_a_row_that_comes_meanwhile_shifts_nothing(
    machine: Asker, five_crews: None, contractor: Contractor
) -> None:
    first = machine.get("/crews?limit=2&sort=name").json()
    with contractor_scope(contractor.pk):
        a_crew(system_actor(contractor.pk, "tests"), "Aaa")
    rest = machine.get(f"/crews?sort=name&cursor={first['next_cursor']}").json()
    assert [item["name"] for item in first["items"] + rest["items"]] == sorted(NAMES)


@pytest.mark.parametrize("cursor", ["x", "!!", "bnVsbA", "WyJpZCIsIjEiLDFd" * 3, "%00", "WzFd"])
def test_what_is_no_cursor_is_refused(machine: Asker, five_crews: None, cursor: str) -> None:
    assert machine.get(f"/crews?cursor={cursor}").status_code == 422


def test_a_cursor_of_another_order_is_refused(machine: Asker, five_crews: None) -> None:
    cursor = machine.get("/crews?limit=1&sort=name").json()["next_cursor"]
    assert machine.get(f"/crews?sort=-name&cursor={cursor}").status_code == 422
    assert machine.get(f"/crews?cursor={cursor}").status_code == 422


def test_rows_of_others_are_on_no_page(other_machine: Asker, five_crews: None) -> None:
    assert other_machine.get("/crews").json() == {"items": [], "next_cursor": None}


def test_people_by_whether_they_can_sign_in(boss: Asker, machine: Asker) -> None:
    assert len(boss.get("/people?is_active=true").json()["items"]) == 1
    assert boss.get("/people?is_active=false").json()["items"] == []


def feed(machine: Asker, after: str = "") -> Any:
    return machine.get(f"/changes?limit=2&after={after}").json()


def test_the_feed_is_read_on_from_a_cursor(
    machine: Asker, other_machine: Asker, five_crews: None
) -> None:
    assert feed(machine) == {"items": [], "cursor": "1.0"}
    sequence_changes()
    found, cursor = [], ""
    while (page := feed(machine, cursor))["items"]:
        found += page["items"]
        cursor = page["cursor"]
    assert [item["position"] for item in found] == list(range(1, len(found) + 1))
    told = [item["after"]["name"] for item in found if item["action"] == "crew.created"]
    assert told == NAMES
    crew = next(item for item in found if item["action"] == "crew.created")
    assert crew["actor"] == {"kind": "system", "id": "tests", "name": "tests"}
    assert crew["thing"]["kind"] == "crew"
    assert feed(machine, cursor)["cursor"] == cursor
    assert [item["action"] for item in feed(other_machine)["items"]] == ["token.issued"]


def test_a_cursor_of_an_earlier_life_of_the_feed_is_gone(
    machine: Asker, contractor: Contractor, five_crews: None
) -> None:
    sequence_changes()
    cursor = feed(machine)["cursor"]
    with contractor_scope(contractor.pk):
        FeedEpoch.objects.create(number=2, started_at=now(), reason="restored")
    assert machine.get(f"/changes?after={cursor}").status_code == 410
    assert machine.get("/changes?after=nonsense").status_code == 422


def test_a_limit_is_told_and_kept(machine: Asker, other_machine: Asker, settings: Any) -> None:
    settings.API_LIMITS = {"usual": (3, 3600)}
    for left in (2, 1, 0):
        answer = machine.get("/me")
        assert answer["RateLimit-Policy"] == '"usual";q=3;w=3600'
        assert answer["RateLimit"].startswith(f'"usual";r={left};t=')
    refused = machine.get("/me")
    assert refused.status_code == 429
    assert 0 < int(refused["Retry-After"]) <= 3600
    assert other_machine.get("/me").status_code == 200


def test_without_a_cache_work_goes_on(machine: Asker, monkeypatch: pytest.MonkeyPatch) -> None:
    def away(*_: object, **__: object) -> None:
        raise ConnectionError("the cache does not answer")

    monkeypatch.setattr("core.counting.AWAY_S", 0.0)
    monkeypatch.setattr("core.counting.cache.add", away)
    assert machine.get("/me").status_code == 200
