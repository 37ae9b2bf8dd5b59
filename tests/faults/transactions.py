"""Whether a transaction was open while something ran."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import pytest
from django.db import connection


def transactions_at(monkeypatch: pytest.MonkeyPatch, module: ModuleType, name: str) -> list[bool]:
    """From now on, whether one is open each time that this function of a module is called.

    For tests with real transactions: all others run within one.
    """
    seen: list[bool] = []
    original = getattr(module, name)

    def watched(*words: Any, **options: Any) -> Any:
        seen.append(connection.in_atomic_block)
        return original(*words, **options)

    monkeypatch.setattr(module, name, watched)
    return seen
