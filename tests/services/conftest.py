"""Real servers and real processes, each test's own."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.services.installation import Installation, begun_postgres
from tests.services.servers import PostgresServer, RedisServer

Install = Callable[..., Installation]


@pytest.fixture(scope="session")
def _postgres() -> Iterator[PostgresServer]:
    server = PostgresServer()
    try:
        yield server
    finally:
        server.remove()


@pytest.fixture
def postgres_server(_postgres: PostgresServer) -> Iterator[PostgresServer]:
    """Running at the start of each test, whatever the last one did to it."""
    if not _postgres.answers():
        _postgres.stop()
        _postgres.start()
    return _postgres


@pytest.fixture
def redis_server() -> Iterator[RedisServer]:
    server = RedisServer()
    try:
        yield server
    finally:
        server.remove()


@pytest.fixture
def install(tmp_path: Path) -> Iterator[Install]:
    """Make an installation whose processes end with the test."""
    made: list[Installation] = []

    def make(**options: Any) -> Installation:
        made.append(Installation(tmp_path, **options))
        return made[-1]

    yield make
    for installation in made:
        installation.end()


@pytest.fixture
def install_production(
    install: Install, postgres_server: PostgresServer, redis_server: RedisServer
) -> Install:
    """An installation on PostgreSQL and Redis."""

    def make(**options: Any) -> Installation:
        return install(
            **begun_postgres(postgres_server, "jobs"),
            redis_url=redis_server.url,
            **options,
        )

    return make
