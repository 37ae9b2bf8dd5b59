"""PostgreSQL and Redis of one's own: they start, hold what was written, and end."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import psycopg
import pytest
import redis

from demo import own_services
from demo.own_services import NotStarted, own_postgres, own_redis
from tests.services import with_postgres

pytestmark = pytest.mark.slow


def test_postgres_keeps_its_data_and_its_role_is_no_superuser(folder: Path) -> None:
    with own_postgres(folder / "pg") as url, psycopg.connect(url, autocommit=True) as connection:
        role = connection.execute(
            "SELECT rolsuper, rolbypassrls, rolcreatedb FROM pg_roles WHERE rolname = current_user"
        ).fetchone()
        assert role == (False, False, True)
        connection.execute("CREATE TABLE kept AS SELECT 7 AS number")
    with pytest.raises(psycopg.OperationalError):
        psycopg.connect(url, connect_timeout=3)
    with own_postgres(folder / "pg") as url, psycopg.connect(url) as connection:
        assert connection.execute("SELECT number FROM kept").fetchone() == (7,)


def test_postgres_lets_nobody_in_without_the_password(folder: Path) -> None:
    with own_postgres(folder / "pg", is_lasting=False) as url:
        name, _, rest = url.partition("@")
        stranger = f"{name.rpartition(':')[0]}:wrong@{rest}"
        with pytest.raises(psycopg.OperationalError, match="password"):
            psycopg.connect(stranger, connect_timeout=3)


def test_redis_keeps_its_data_and_asks_for_the_password(tmp_path: Path) -> None:
    with own_redis(tmp_path / "redis") as url:
        with redis.Redis.from_url(url) as client:
            client.set("kept", "7")
        port = client.connection_pool.connection_kwargs["port"]
        with redis.Redis(port=port) as stranger, pytest.raises(redis.AuthenticationError):
            stranger.get("kept")
    with own_redis(tmp_path / "redis") as url, redis.Redis.from_url(url) as client:
        assert client.get("kept") == b"7"


def test_a_service_that_is_not_installed_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(own_services, "_DEBIAN_BINARIES", tmp_path)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(NotStarted, match="package postgresql"), own_postgres(tmp_path / "pg"):
        pass
    with pytest.raises(NotStarted, match="package redis-server"), own_redis(tmp_path / "redis"):
        pass


ASKS = """
import os, sys, psycopg
with psycopg.connect(os.environ["CLAMPLINE_TEST_DATABASE_URL"]) as connection:
    print(connection.execute("SELECT current_user").fetchone()[0])
sys.exit(5)
"""


def test_a_command_runs_with_a_database_of_its_own_and_its_status_is_handed_on() -> None:
    words = ["-m", "tests.services.with_postgres", "--", sys.executable, "-c", ASKS]
    ran = subprocess.run([sys.executable, *words], capture_output=True, text=True, check=False)
    assert ran.stdout == "clampline\n"
    assert ran.returncode == 5


def test_without_a_command_the_usage_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert with_postgres.main(["pytest"]) == 2
    assert "COMMAND" in capsys.readouterr().err
