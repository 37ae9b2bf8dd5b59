"""A whole installation in processes of its own, and what its database says of its jobs."""

from __future__ import annotations

import atexit
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import psycopg

from tests.architecture.house import ROOT
from tests.begun import migrated_sqlite
from tests.jobs.work.tasks import EFFECT
from tests.services.servers import PostgresServer, wait_until

BEGUN = "begun"
_RUNNER = ("manage.py", "run_jobs", "--threads", "2")
_WORKER = ("-m", "celery", "-A", "core.celery", "worker", "--concurrency", "2")
PROCESSES: dict[str, tuple[str, ...]] = {
    "runner": _RUNNER,
    "beat": ("manage.py", "run_beat"),
    "worker": (*_WORKER, "--without-gossip", "--without-mingle", "--loglevel", "info"),
}


@dataclass(frozen=True)
class Asked:
    """Jobs that were accepted, how long each took, and how often the database was away."""

    jobs: tuple[str, ...]
    took_ms: tuple[float, ...]
    refused: int


@dataclass
class Installation:
    """``database_url`` empty: an SQLite file in ``folder``. ``reading_url``: sees all rows.

    Its tables are laid and a contractor is there: on SQLite as a copy of what was begun once, on
    PostgreSQL anew unless ``is_begun`` says that the database is such a copy.
    """

    folder: Path
    database_url: str = ""
    reading_url: str = ""
    redis_url: str = ""
    lease_s: float = 60.0
    visibility_s: float = 3600.0
    is_begun: bool = False
    _started: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def __post_init__(self) -> None:
        if not self.database_url and not self.is_begun:
            shutil.copyfile(_begun_sqlite(), self.sqlite_file)
        elif not self.is_begun:
            self.begin()

    def begin(self) -> None:
        self.manage("migrate", "--verbosity", "0")
        self.manage("begin")

    @property
    def sqlite_file(self) -> Path:
        return self.folder / "clampline.sqlite3"

    @property
    def beat_file(self) -> Path:
        return self.folder / "beats"

    def environment(self) -> dict[str, str]:
        own = {
            "DJANGO_SETTINGS_MODULE": "tests.services.settings",
            "PYTHONPATH": str(ROOT),
            "OPENBLAS_NUM_THREADS": "1",
            "CLAMPLINE_SECRET_KEY": "for tests only",
            "CLAMPLINE_SQLITE_FILE": str(self.sqlite_file),
            "CLAMPLINE_TEST_LEASE_S": str(self.lease_s),
            "CLAMPLINE_TEST_VISIBILITY_S": str(self.visibility_s),
            "CLAMPLINE_TEST_BEAT_FILE": str(self.beat_file),
            "DATABASE_URL": self.database_url,
            "REDIS_URL": self.redis_url,
        }
        return {**os.environ, **own}

    def popen(self, *words: str) -> subprocess.Popen[bytes]:
        """Start Python with these words in a session of its own; its words go into ``log``."""
        with (self.folder / "log").open("ab") as log:
            process = subprocess.Popen(
                [sys.executable, *words],
                cwd=ROOT,
                env=self.environment(),
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        self._started.append(process)
        return process

    def start(self, name: str, *words: str) -> subprocess.Popen[bytes]:
        return self.popen(*PROCESSES[name], *words)

    def manage(self, *words: str) -> str:
        ran = subprocess.run(
            [sys.executable, "manage.py", *words],
            cwd=ROOT,
            env=self.environment(),
            capture_output=True,
            text=True,
            check=False,
            timeout=300,
        )
        assert ran.returncode == 0, ran.stderr
        return ran.stdout

    def ask(self, **options: Any) -> Asked:
        return asked(self.manage("ask_jobs", *_options(options)))

    def asking(self, **options: Any) -> subprocess.Popen[str]:
        """As ``ask``, meanwhile."""
        return subprocess.Popen(
            [sys.executable, "manage.py", "ask_jobs", *_options(options)],
            cwd=ROOT,
            env=self.environment(),
            stdout=subprocess.PIPE,
            text=True,
        )

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        """Read the database past the product."""
        if self.reading_url:
            with psycopg.connect(self.reading_url) as connection:
                return connection.execute(query.encode()).fetchall()
        connection = sqlite3.connect(self.sqlite_file, timeout=20)
        try:
            return connection.execute(query).fetchall()
        finally:
            connection.close()

    def states(self) -> dict[str, int]:
        return dict(self.rows("SELECT state, count(*) FROM core_job GROUP BY state"))

    def effects(self) -> Counter[str]:
        """Effects by job."""
        found = self.rows("SELECT object_id, action FROM core_change")
        return Counter(job for job, action in found if action == EFFECT)

    def attempts(self) -> int:
        return int(self.rows("SELECT sum(attempts) FROM core_job")[0][0])

    def wait_done(self, jobs: int, within_s: float = 240.0) -> float:
        """Seconds until so many jobs are done."""
        try:
            return wait_until(lambda: self.states().get("done", 0) >= jobs, "all done", within_s)
        except AssertionError as late:
            log = (self.folder / "log").read_text(encoding="utf-8", errors="replace")
            raise AssertionError(f"{late}; {self.states()}; log: {log[-3000:]}") from late

    def wait_asked(self, jobs: int) -> None:
        wait_until(lambda: sum(self.states().values()) >= jobs, f"{jobs} jobs are asked for")

    def wait_running(self) -> None:
        wait_until(lambda: self.states().get("running", 0) > 0, "a job runs")

    def end(self) -> None:
        """End whatever was started, and what that started."""
        for process in self._started:
            kill_group(process)


def kill_group(process: subprocess.Popen[bytes]) -> None:
    """kill -9 of a process and of all it started in its session."""
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait(60)


def asked(words: str) -> Asked:
    found = json.loads(words)
    return Asked(tuple(found["jobs"]), tuple(found["ms"]), found["refused"])


def _options(options: dict[str, Any]) -> list[str]:
    return [f"--{name}={value}" for name, value in options.items()]


def p95(values: tuple[float, ...]) -> float:
    return sorted(values)[int(0.95 * (len(values) - 1))]


def all_once(installation: Installation, jobs: tuple[str, ...]) -> None:
    """Each of the jobs, and nothing else, left one effect."""
    effects = installation.effects()
    assert len(set(jobs)) == len(jobs)
    lost = set(jobs) - set(effects)
    assert not lost, f"{len(lost)} of {len(jobs)} lost"
    assert effects == Counter(jobs), "an effect was written twice, or by nobody's order"


@cache
def _begun_sqlite() -> Path:
    """The file of an installation that was begun, once a process: laying all tables takes longer
    than most of what is tested."""
    folder = Path(tempfile.mkdtemp(prefix="clampline-begun-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    site = Installation(folder, is_begun=True)
    shutil.copyfile(migrated_sqlite(), site.sqlite_file)
    site.begin()
    return site.sqlite_file


def begun_postgres(server: PostgresServer, name: str) -> dict[str, Any]:
    """How an installation is made on a database of this name, a copy of one that was begun."""
    if BEGUN not in server.databases():
        with tempfile.TemporaryDirectory(prefix="clampline-begun-") as folder:
            Installation(Path(folder), database_url=server.database(BEGUN))
    return {
        "database_url": server.database(name, template=BEGUN),
        "reading_url": server.superuser_address(name),
        "is_begun": True,
    }
