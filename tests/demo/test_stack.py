"""``make stack``: web, worker and beat on PostgreSQL and Redis of their own, and their ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from demo.own_services import free_port
from tests.architecture.house import ROOT

pytestmark = pytest.mark.slow

# Some 9 s on a machine that has nothing else to do.
START_S, END_S = 180.0, 60.0


def wait_until(holds: Callable[[], bool], within_s: float, what: str) -> None:
    end_s = time.monotonic() + within_s
    while not holds():
        assert time.monotonic() < end_s, f"not within {within_s:g} s: {what}"
        time.sleep(0.2)


class Stack:
    """A running stack, its processes found by the folder or the address they were given."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.bind = f"127.0.0.1:{free_port()}"
        words = ["-m", "demo.stack", "--no-demo", "--bind", self.bind, "--folder", str(folder)]
        unset = ("DATABASE_URL", "REDIS_URL", "DJANGO_SETTINGS_MODULE")
        environment = {name: value for name, value in os.environ.items() if name not in unset}
        self.process = subprocess.Popen(
            [sys.executable, *words],
            cwd=ROOT,
            env=environment,
            start_new_session=True,
            stdout=subprocess.DEVNULL,
        )

    def is_alive(self) -> bool:
        assert self.process.poll() is None, "the stack has ended"
        try:
            with urllib.request.urlopen(f"http://{self.bind}/livez", timeout=2) as answer:
                return bool(answer.status == 200)
        except (urllib.error.URLError, OSError):
            return False

    def running(self) -> list[str]:
        """Command lines of all that it started, by parentage, while it runs itself."""
        listed = subprocess.run(
            ["ps", "-eo", "pid=,ppid=,args="], capture_output=True, text=True, check=True
        )
        rows = [line.split(None, 2) for line in listed.stdout.splitlines()]
        ours, lines = {self.process.pid}, []
        for _ in range(4):
            for pid, parent, args in rows:
                if int(parent) in ours and int(pid) not in ours:
                    ours.add(int(pid))
                    lines.append(f"{pid} {args}")
        return lines


def process_names(lines: list[str]) -> set[str]:
    names = ("gunicorn", "celery", "run_beat", "postgres", "redis-server", "manage.py serve")
    return {name for name in names for line in lines if name in line}


def are_gone(lines: list[str]) -> bool:
    """Whether none of these processes runs; one that ended and is unclaimed counts as gone."""
    for line in lines:
        status = Path("/proc") / line.split()[0] / "status"
        try:
            if "State:\tZ" not in status.read_text(encoding="utf-8"):
                return False
        except (FileNotFoundError, ProcessLookupError):
            continue
    return True


@pytest.fixture
def stack(folder: Path) -> Iterator[Stack]:
    started = Stack(folder / "stack")
    try:
        wait_until(started.is_alive, START_S, "the web process answers")
        yield started
    finally:
        started.process.kill()
        started.process.wait()


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_the_stack_serves_and_nothing_of_it_outlives_it(stack: Stack, how: signal.Signals) -> None:
    wait_until(lambda: len(process_names(stack.running())) == 6, START_S, "all six are there")
    lines = stack.running()
    if how is signal.SIGINT:
        # Ctrl-C reaches all that share the terminal's process group.
        os.killpg(stack.process.pid, how)
    else:
        stack.process.send_signal(how)
    wait_until(lambda: are_gone(lines), END_S, "all have ended")
    assert stack.process.wait(END_S) == (0 if how is not signal.SIGKILL else -how)
    log = (stack.folder / "postgres/log").read_text(encoding="utf-8")
    assert "database system is shut down" in log
