"""Who asks in the tests of the API."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from django.core.cache import cache

from core.accounts.actor import TokenScope
from core.models import Contractor, Person
from tests.api.asking import Asker, signed_in, with_token


@pytest.fixture(autouse=True)
def _no_requests_counted_yet() -> None:
    cache.clear()


@pytest.fixture(autouse=True)
def _photos_of_their_own(settings: Any, tmp_path: Path) -> None:
    settings.MEDIA_ROOT = str(tmp_path / "media")


@pytest.fixture
def nobody(db: None) -> Asker:
    return Asker()


@pytest.fixture
def boss(owner: Person) -> Asker:
    return signed_in(owner)


@pytest.fixture
def machine(contractor: Contractor) -> Asker:
    """A machine that may do everything."""
    return with_token(contractor, list(TokenScope))


@pytest.fixture
def other_machine(other_contractor: Contractor) -> Asker:
    return with_token(other_contractor, list(TokenScope))
