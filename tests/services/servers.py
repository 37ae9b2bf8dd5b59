"""PostgreSQL and Redis of a test's own, on free ports, that can be stopped, killed and frozen."""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import psycopg
import redis

from demo.own_services import free_port

# Only what never happens waits so long: the machine may be slow, and others' too.
_START_S = 300.0


def wait_until(holds: Callable[[], bool], what: str, within_s: float = _START_S) -> float:
    """Seconds it took until ``holds()``; fails with ``what`` past ``within_s``."""
    started_s = time.monotonic()
    while not holds():
        assert time.monotonic() - started_s < within_s, f"not within {within_s:g} s: {what}"
        time.sleep(0.05)
    return time.monotonic() - started_s


def postgres_folder() -> Path:
    """Where Debian keeps the newest PostgreSQL's programs."""
    versions = sorted(
        Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3])
    )
    assert versions, "PostgreSQL is not installed: .ci/debian-packages postgresql"
    return versions[-1].parent


class _Server:
    """A server process of the test's own."""

    name = "server"

    def __init__(self) -> None:
        self.port = free_port()
        self.folder = Path(tempfile.mkdtemp(prefix=f"clampline-{self.name}-"))
        self._process: subprocess.Popen[bytes] | None = None

    def command(self) -> list[str]:
        raise NotImplementedError

    def answers(self) -> bool:
        raise NotImplementedError

    def start(self) -> None:
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(self.command(), stdout=log, stderr=log)
        wait_until(self.answers, f"{self.name} answers; see {self.folder / 'log'}")

    def send(self, signal_number: int) -> None:
        assert self._process is not None
        self._process.send_signal(signal_number)

    def stop(self, signal_number: int = signal.SIGINT) -> None:
        """End it at once: running transactions are cut off."""
        if self._process is not None:
            self.send(signal_number)
            self._process.wait(_START_S)
            self._process = None

    def freeze(self) -> None:
        self.send(signal.SIGSTOP)

    def thaw(self) -> None:
        self.send(signal.SIGCONT)

    def remove(self) -> None:
        if self._process is not None:
            self.thaw()
        self.stop()
        shutil.rmtree(self.folder, ignore_errors=True)


class PostgresServer(_Server):
    """Its role ``clampline`` is no superuser, so row-level security holds for it."""

    name = "postgresql"

    def __init__(self) -> None:
        super().__init__()
        self._programs = postgres_folder()
        self._data = self.folder / "data"
        if os.geteuid() == 0:
            owner = pwd.getpwnam("postgres")
            os.chown(self.folder, owner.pw_uid, owner.pw_gid)
        subprocess.run(
            self._own("initdb", "-A", "trust", "-U", "postgres", "-D", str(self._data)),
            check=True,
            capture_output=True,
        )
        self.start()
        with psycopg.connect(self._admin(), autocommit=True) as connection:
            connection.execute("CREATE ROLE clampline LOGIN")

    def _own(self, program: str, *words: str) -> list[str]:
        """As root PostgreSQL refuses to run; then it runs as Debian's user for it."""
        drop = ["setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups"]
        return [
            *(drop if os.geteuid() == 0 else []),
            str(self._programs / program),
            *words,
        ]

    def _admin(self) -> str:
        return f"postgres://postgres@127.0.0.1:{self.port}/postgres"

    def command(self) -> list[str]:
        options = f"-p {self.port} -c listen_addresses=127.0.0.1 -k {self.folder}"
        return self._own("postgres", "-D", str(self._data), *options.split())

    def answers(self) -> bool:
        try:
            psycopg.connect(self._admin(), connect_timeout=2).close()
        except psycopg.OperationalError:
            return False
        return True

    def databases(self) -> set[str]:
        """The names of all that were made."""
        with psycopg.connect(self._admin(), autocommit=True) as connection:
            return {row[0] for row in connection.execute("SELECT datname FROM pg_database")}

    def database(self, name: str, template: str = "template1") -> str:
        """The address of a new database, empty unless it is a copy of another one."""
        with psycopg.connect(self._admin(), autocommit=True) as connection:
            connection.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
            connection.execute(f"CREATE DATABASE {name} OWNER clampline TEMPLATE {template}")
        return f"postgres://clampline@127.0.0.1:{self.port}/{name}"

    def superuser_address(self, name: str) -> str:
        return f"postgres://postgres@127.0.0.1:{self.port}/{name}"


class RedisServer(_Server):
    """Keeps what it holds over a stop, as a broker should."""

    name = "redis"

    def __init__(self) -> None:
        super().__init__()
        assert shutil.which("redis-server"), "Redis is not installed: .ci/debian-packages redis"
        self.start()

    @property
    def url(self) -> str:
        return f"redis://127.0.0.1:{self.port}/0"

    def client(self) -> redis.Redis:
        return redis.Redis.from_url(self.url, socket_timeout=2)

    def command(self) -> list[str]:
        options = f"--port {self.port} --bind 127.0.0.1 --appendonly yes --dir {self.folder}"
        return ["redis-server", *options.split(), "--save", ""]

    def answers(self) -> bool:
        try:
            with self.client() as client:
                return bool(client.ping())
        except redis.RedisError:
            return False

    def flush(self) -> None:
        with self.client() as client:
            client.flushall()
