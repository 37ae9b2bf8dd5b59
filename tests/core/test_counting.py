"""Counting in the cache: what hangs is left alone for a while, and work goes on."""

from __future__ import annotations

from typing import Any

import pytest
from django.core.cache import cache

from core import counting
from core.counting import count_in_window


def test_a_cache_that_did_not_answer_is_not_asked_again_at_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked = []

    def away(*_: Any, **__: Any) -> None:
        asked.append(1)
        raise ConnectionError("timed out")

    monkeypatch.setattr(counting, "_away_until_s", 0.0)
    with monkeypatch.context() as broken:
        broken.setattr("core.counting.cache.add", away)
        assert [count_in_window("hung", 60)[0] for _ in range(5)] == [0] * 5
        assert len(asked) == 1
    monkeypatch.setattr(counting, "_away_until_s", 0.0)
    cache.clear()
    assert [count_in_window("well", 60)[0] for _ in range(3)] == [1, 2, 3]
