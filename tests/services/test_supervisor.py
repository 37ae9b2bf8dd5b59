"""``manage.py serve``: web and runner end with it and are started again when they die."""

from __future__ import annotations

import os
import signal
import subprocess
import urllib.request
from pathlib import Path

import pytest

from demo.own_services import free_port
from tests.services.conftest import Install
from tests.services.installation import Installation, all_once
from tests.services.servers import wait_until

pytestmark = pytest.mark.slow


class Served:
    """A site under its supervisor."""

    def __init__(self, site: Installation) -> None:
        self.site = site
        self.port = free_port()
        self.supervisor: subprocess.Popen[bytes] | None = None

    def start(self) -> int:
        process = self.site.popen("manage.py", "serve", "--bind", f"127.0.0.1:{self.port}")
        self.supervisor = process
        wait_until(self.answers, "the server answers")
        return process.pid

    def answers(self) -> bool:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/livez", timeout=2) as answer:
                return bool(answer.status == 200)
        except OSError:
            return False

    def processes(self) -> dict[int, str]:
        """All processes of this site: they carry its file in their environment."""
        mark = f"CLAMPLINE_SQLITE_FILE={self.site.sqlite_file}".encode()
        found = {}
        for folder in Path("/proc").glob("[0-9]*"):
            try:
                if mark in (folder / "environ").read_bytes().split(b"\0"):
                    words = (folder / "cmdline").read_bytes().replace(b"\0", b" ").decode()
                    found[int(folder.name)] = words
            except OSError:
                continue
        # One that has ended and was not waited for yet has no words.
        return {pid: words for pid, words in found.items() if words}

    def pid_of(self, word: str) -> int:
        return min(pid for pid, words in self.processes().items() if word in words)


@pytest.fixture
def served(install: Install) -> Served:
    return Served(install(lease_s=2.0))


def test_killed_supervisor_takes_all_along_and_a_restart_resumes(served: Served) -> None:
    pid = served.start()
    jobs = served.site.ask(count=30, seconds=0.3).jobs
    served.site.wait_running()
    os.kill(pid, signal.SIGKILL)
    assert served.supervisor is not None
    served.supervisor.wait(60)
    wait_until(lambda: not served.processes(), "all processes are gone")
    assert served.site.states().get("done", 0) < len(jobs)
    served.start()
    served.site.wait_done(len(jobs))
    all_once(served.site, jobs)
    assert served.site.rows("PRAGMA integrity_check") == [("ok",)]


def test_sigterm_ends_all_in_order(served: Served) -> None:
    pid = served.start()
    wait_until(lambda: any("run_jobs" in w for w in served.processes().values()), "runner")
    os.kill(pid, signal.SIGTERM)
    assert served.supervisor is not None
    assert served.supervisor.wait(120) == 0
    assert served.processes() == {}


@pytest.mark.parametrize("word", ["gunicorn", "run_jobs"])
def test_a_child_that_died_is_started_again(served: Served, word: str) -> None:
    served.start()
    wait_until(lambda: any(word in w for w in served.processes().values()), word)
    killed = served.pid_of(word)
    os.kill(killed, signal.SIGKILL)
    wait_until(
        lambda: (
            killed not in served.processes() and any(word in w for w in served.processes().values())
        ),
        "another one runs",
    )
    wait_until(served.answers, "the server answers")
    jobs = served.site.ask(count=2).jobs
    served.site.wait_done(len(jobs))
