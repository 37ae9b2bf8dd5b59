"""What one person may have drawn in a minute."""

from __future__ import annotations

import pytest
from django.test import Client

from core.models import Person
from core.pages import drawing_limit
from tests.faults.hunts import Hunt
from tests.pages.conftest import Entering, text_of


def pictures(hunt: Hunt) -> tuple[str, str]:
    trace = hunt.trace
    return (f"/paths/{trace.path.public_id}/drawing.svg", f"/traces/{trace.public_id}/drawing.svg")


def test_drawings_of_one_person_are_counted_together(
    browser: Client, hunt: Hunt, enter: Entering, owner: Person, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(drawing_limit, "MOST_A_MINUTE", 2)
    monkeypatch.setattr(drawing_limit, "_WINDOW_S", 10**9)
    for picture in pictures(hunt):
        assert browser.get(picture).status_code == 200
    for picture in (*pictures(hunt), "/paths/none/drawing.svg"):
        refused = browser.get(picture)
        assert refused.status_code == 429
        assert int(refused["Retry-After"]) > 0
        assert f"go on in {refused['Retry-After']} s" in text_of(refused)
    assert enter(owner).get(pictures(hunt)[0]).status_code == 200
    assert browser.get(f"/paths/{hunt.trace.path.public_id}").status_code == 200


@pytest.mark.parametrize("which", [0, 1])
def test_a_large_map_counts_for_more(
    browser: Client, hunt: Hunt, monkeypatch: pytest.MonkeyPatch, which: int
) -> None:
    nodes = len(hunt.rehearsal.survey.nodes)
    monkeypatch.setattr(drawing_limit, "NODES_A_DRAWING", 1)
    monkeypatch.setattr(drawing_limit, "_WINDOW_S", 10**9)
    monkeypatch.setattr(drawing_limit, "MOST_A_MINUTE", 2 * (1 + nodes))
    picture = pictures(hunt)[which]
    assert [browser.get(picture).status_code for _ in range(3)] == [200, 200, 429]


def test_drawings_go_on_where_the_cache_does_not_answer(
    browser: Client, hunt: Hunt, monkeypatch: pytest.MonkeyPatch
) -> None:
    def away(*_: object, **__: object) -> None:
        raise ConnectionError("the cache does not answer")

    monkeypatch.setattr(drawing_limit, "MOST_A_MINUTE", 0)
    monkeypatch.setattr("core.counting.AWAY_S", 0.0)
    monkeypatch.setattr("core.counting.cache.add", away)
    assert browser.get(pictures(hunt)[0]).status_code == 200
