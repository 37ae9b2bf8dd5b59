"""Runs the cases of a benchmark in parts, on a few processes, so that it can be gone on with.

Each case gives one row, a small JSON object kept as a line of ``benchmarks/results/NAME.jsonl``
under its key. A case that fails gives a row that says so in ``error``.
"""

from __future__ import annotations

import hashlib
import json
import multiprocessing
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
RESULTS = Path(__file__).with_name("results")
MEASURED_CODE = ("sites/network", "faults/tracing", "faults/rehearsal", "tests/second_field")

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Benchmark:
    """A benchmark: the keys of its cases, how one becomes a row, and what rows say in words.

    ``row`` and ``section`` are functions of a module, so that a fresh process can load them.
    ``fresh_processes``: a process for each case and one at a time, for times and memory.
    ``rows_from``: whose rows the section is made of; ``also``: other sections made of them.
    ``measured``: folders and files of the code whose change makes a row old.
    """

    name: str
    title: str
    keys: Callable[[], Sequence[str]]
    row: Callable[[str], Row]
    section: Callable[[list[Row]], str]
    fresh_processes: bool = False
    rows_from: str = ""
    also: tuple[str, ...] = ()
    measured: tuple[str, ...] = MEASURED_CODE

    def __post_init__(self) -> None:
        if not self.rows_from:
            object.__setattr__(self, "rows_from", self.name)


@dataclass(frozen=True, slots=True)
class Share:
    """Which cases to run: part ``part`` of ``parts`` of the first ``limit`` ones.

    ``anew``: also those whose row tells an error or was made by other code.
    """

    part: int = 1
    parts: int = 1
    limit: int | None = None
    anew: bool = False

    def of(self, keys: Sequence[str]) -> list[str]:
        """The keys of this share."""
        return list(keys[: self.limit][self.part - 1 :: self.parts])


def run_benchmark(benchmark: Benchmark, share: Share, *, minutes: float, processes: int) -> int:
    """Run cases until the share or the time is used up; how many of the share are left."""
    stop_at = time.monotonic() + 60.0 * minutes
    have = {row["key"]: row for row in rows_of(benchmark.name)}
    code = code_digest(benchmark.measured)
    todo = [key for key in share.of(benchmark.keys()) if not _is_done(have.get(key), share, code)]
    left = len(todo)
    RESULTS.mkdir(exist_ok=True)
    with (RESULTS / f"{benchmark.name}.jsonl").open("a", encoding="utf-8") as out:
        for row in _rows(benchmark, todo, stop_at, 1 if benchmark.fresh_processes else processes):
            # One write a line: parts may run at the same time.
            out.write(json.dumps(row, allow_nan=False, separators=(",", ":")) + "\n")
            out.flush()
            left -= 1
    return left


def rows_of(name: str) -> list[Row]:
    """All rows kept for a benchmark, the last one for each key, in order of their keys."""
    file = RESULTS / f"{name}.jsonl"
    if not file.exists():
        return []
    rows = (json.loads(line) for line in file.read_text(encoding="utf-8").splitlines() if line)
    last = {row["key"]: row for row in rows}
    return [last[key] for key in sorted(last)]


@cache
def code_digest(measured: tuple[str, ...] = MEASURED_CODE) -> str:
    """Twelve digits that change when the measured folders' modules, or measured files, do."""
    digest = hashlib.sha256()
    for name in measured:
        place = ROOT / name
        for file in [place] if place.is_file() else sorted(place.glob("*.py")):
            digest.update(file.name.encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()[:12]


def _is_done(row: Row | None, share: Share, code: str) -> bool:
    if row is None:
        return False
    stale = "error" in row or row.get("code") != code
    return not (share.anew and stale)


def _rows(benchmark: Benchmark, todo: list[str], stop_at: float, processes: int) -> Iterator[Row]:
    """Rows as they come; nothing new is begun past ``stop_at``, what runs is waited for."""
    waiting = iter(todo)
    code = code_digest(benchmark.measured)
    running: set[Future[Row]] = set()
    with ProcessPoolExecutor(
        max_workers=processes,
        mp_context=multiprocessing.get_context("spawn"),
        max_tasks_per_child=1 if benchmark.fresh_processes else None,
    ) as pool:
        while True:
            while len(running) < processes and time.monotonic() < stop_at:
                key = next(waiting, None)
                if key is None:
                    break
                running.add(pool.submit(row_or_error, benchmark.row, key, code))
            if not running:
                return
            done, running = wait(running, return_when=FIRST_COMPLETED)
            yield from (future.result() for future in done)


def row_or_error(row: Callable[[str], Row], key: str, code: str) -> Row:
    """A case's row, or one that says how it failed."""
    started = time.perf_counter()
    try:
        made = row(key)
    except Exception as error:  # noqa: BLE001 - any failure of a case is a result to be counted
        where = traceback.extract_tb(error.__traceback__)[-1]
        told = f"{type(error).__name__}: {error} ({Path(where.filename).name}:{where.lineno})"
        made = {"error": told}
    seconds = round(time.perf_counter() - started, 3)
    return {"key": key, "code": code, "seconds": seconds, **made}
