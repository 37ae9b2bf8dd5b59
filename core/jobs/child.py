"""Heavy computing in a process of its own, with limits on memory and time.

It can be ended at any moment, leaves the interpreter lock of the worker free, and what it eats up
is its own. The function is pure: JSON in, JSON out, no database.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import IO, Any

from core.death_with_parent import die_with_parent

_ROOT = Path(__file__).resolve().parents[2]
_LOOK_EVERY_S = 0.2
_LONGEST_WORDS = 500


class ChildFailedError(Exception):
    """The child raised, ran out of memory or crashed; in words."""


class ChildTimeoutError(ChildFailedError):
    """The child took longer than it may."""


class ChildCancelledError(Exception):
    """The job was called off or taken over, and the child ended for it."""


@dataclass(frozen=True, slots=True)
class ChildLimits:
    """``memory_mb`` is address space, the interpreter's own part with it."""

    memory_mb: int = 1024
    time_s: float = 120.0

    def __post_init__(self) -> None:
        if self.memory_mb < 64:
            raise ValueError(f"memory_mb is {self.memory_mb}; expected 64 or more")
        if self.time_s <= 0.0:
            raise ValueError(f"time_s is {self.time_s}; expected 0 < x")


def run_in_child(
    function: str,
    payload: Any,
    *,
    limits: ChildLimits,
    cancelled: Callable[[], bool] = lambda: False,
) -> Any:
    """Call ``function`` ("package.module:name") with ``payload`` in a child; what it returns.

    Raises ChildTimeoutError, ChildCancelledError (``cancelled`` is asked five times a second), and
    ChildFailedError with the last words of what went wrong.
    """
    asked = (function, limits.memory_mb, os.getpid())
    # Files and not pipes: nobody has to read along for the child to go on.
    with (
        tempfile.TemporaryFile("w+") as question,
        tempfile.TemporaryFile("w+") as answer,
        tempfile.TemporaryFile("w+") as words,
    ):
        json.dump(payload, question)
        question.flush()
        question.seek(0)
        child = subprocess.Popen(  # noqa: S603 - our own module, no shell
            [sys.executable, "-m", "core.jobs.child", *map(str, asked)],
            cwd=_ROOT,
            stdin=question,
            stdout=answer,
            stderr=words,
        )
        try:
            status = _wait(child, time.monotonic() + limits.time_s, cancelled)
        finally:
            child.kill()
            child.wait()
        if status is None:
            raise ChildTimeoutError(f"{function} took more than {limits.time_s:g} s")
        if status != 0:
            raise ChildFailedError(f"{function} ended with {status}: {_last_words(words)}")
        answer.seek(0)
        return json.load(answer)


def _wait(
    child: subprocess.Popen[bytes], end_s: float, cancelled: Callable[[], bool]
) -> int | None:
    while (left_s := end_s - time.monotonic()) > 0.0:
        try:
            return child.wait(min(_LOOK_EVERY_S, left_s))
        except subprocess.TimeoutExpired:
            if cancelled():
                raise ChildCancelledError("called off") from None
    return None


def _last_words(words: IO[str]) -> str:
    words.seek(0)
    return words.read()[-_LONGEST_WORDS:].strip() or "no words"


def main(arguments: list[str]) -> int:
    """The child's own side: limit itself, read, call, write."""
    function, memory_mb, parent_pid = arguments
    die_with_parent(int(parent_pid))
    most = int(memory_mb) * 1024 * 1024
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    module, _, name = function.partition(":")
    answer = getattr(import_module(module), name)(json.load(sys.stdin))
    json.dump(answer, sys.stdout)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
