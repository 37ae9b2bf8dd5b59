"""A small supervisor: starts the processes of one installation and keeps them going.

They end with it, even if it is killed; one that ends by itself is started again, after a pause
that doubles while it keeps ending at once.
"""

from __future__ import annotations

import logging
import os
import signal
import subprocess
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from core.death_with_parent import die_with_parent

log = logging.getLogger("core.supervisor")

_LOOK_EVERY_S = 0.1
_FIRST_PAUSE_S = 0.5
_LONGEST_PAUSE_S = 30.0
_STEADY_S = 30.0


@dataclass(frozen=True, slots=True)
class Service:
    """A process to keep going."""

    name: str
    command: tuple[str, ...]


class _Kept:
    """One service, its process, and when to start it next."""

    def __init__(self, service: Service, folder: Path) -> None:
        self.service = service
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        self._started_s = 0.0
        self._next_s = 0.0
        self._pause_s = _FIRST_PAUSE_S

    def look(self) -> None:
        """Start it where it is not running and its pause is over."""
        now_s = time.monotonic()
        if self._process is not None:
            status = self._process.poll()
            if status is None:
                return
            if now_s - self._started_s > _STEADY_S:
                self._pause_s = _FIRST_PAUSE_S
            log.error("%s ended with %s", self.service.name, status)
            self._process = None
            self._next_s = now_s + self._pause_s
            self._pause_s = min(_LONGEST_PAUSE_S, self._pause_s * 2.0)
        if now_s >= self._next_s:
            self._start()

    def _start(self) -> None:
        # A session of its own: Ctrl-C reaches the supervisor alone, which ends the rest in order.
        self._process = subprocess.Popen(  # noqa: S603 - commands are put together by `serve`
            self.service.command,
            cwd=self._folder,
            start_new_session=True,
            # One thread here, so nothing can hold a lock between fork and exec.
            preexec_fn=partial(die_with_parent, os.getpid(), signal.SIGTERM),  # noqa: PLW1509
        )
        self._started_s = time.monotonic()
        log.info("%s started as process %d", self.service.name, self._process.pid)

    def end(self) -> None:
        """Ask it to end."""
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()

    def wait(self, end_s: float) -> None:
        """Wait until then, then kill it."""
        if self._process is None:
            return
        try:
            self._process.wait(max(0.0, end_s - time.monotonic()))
        except subprocess.TimeoutExpired:
            log.error("%s did not end in time and is killed", self.service.name)
            self._process.kill()
            self._process.wait()


class Supervisor:
    """Keeps ``services`` going in ``folder``; at the end they have ``grace_s`` seconds."""

    def __init__(self, services: Sequence[Service], *, folder: Path, grace_s: float = 30.0) -> None:
        self._kept = [_Kept(service, folder) for service in services]
        self._grace_s = grace_s
        self._stopping = threading.Event()

    def stop(self) -> None:
        """End everything; safe in a signal handler."""
        self._stopping.set()

    def run(self) -> None:
        """Keep going until told to stop. Call it in the main thread."""
        while not self._stopping.is_set():
            for kept in self._kept:
                kept.look()
            self._stopping.wait(_LOOK_EVERY_S)
        for kept in self._kept:
            kept.end()
        end_s = time.monotonic() + self._grace_s
        for kept in self._kept:
            kept.wait(end_s)
