"""Fifty technicians at once: open traces on paths of 1,000 devices, over HTTP, a step each 10 s.

The server is the product's own command, on SQLite and on PostgreSQL; it and whoever asks share
one machine. What each trace answers is worked out before, from the simulated ground, so that
asking costs little; a trace that ends begins again on a new call.
"""

from __future__ import annotations

import itertools
import json
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.error import HTTPError
from urllib.request import Request, urlopen

import numpy as np

from benchmarks.child import child
from benchmarks.report import table
from benchmarks.runner import ROOT, Benchmark, Row
from core.environment import handed_on
from demo.own_services import free_port, own_postgres
from faults.forms.observation import observation_document
from faults.forms.trace import trace_document
from faults.rehearsal.cases import large_case
from faults.rehearsal.layouts import SHAPES
from faults.rehearsal.play import blind_problem, play

DATABASES = ("sqlite", "postgresql")
_SERVED = ("api", "core", "sites", "faults")
_NOT_SERVED = ("management", "migrations")


def _served() -> tuple[str, ...]:
    """Every folder of code that answers a request."""
    folders = {
        file.parent.relative_to(ROOT) for top in _SERVED for file in (ROOT / top).rglob("*.py")
    }
    left_out = set(_NOT_SERVED)
    return tuple(sorted(str(one) for one in folders if not left_out & set(one.parts)))


MEASURED = _served()
"""A change of any of it makes the rows old."""

TRACES, CONTRACTORS, DEVICES = 50, 5, 1000
BETWEEN_S, FOR_S = 10.0, 300.0
BEGIN_WITHIN_S = 30.0
"""All fifty begin within half a minute, which is a hard start."""

ANSWER_WITHIN_S = 30.0
IN_TURN = 3
"""Paths of each technician: an event soon after a call of the same path would join that call."""
DISTINCT = 10
"""Cases that differ; five traces play each, on paths and for contractors of their own."""

Document = dict[str, Any]


@dataclass(frozen=True)
class Case:
    """A trace to be played: what is told before it, and observations with the steps they answer."""

    survey: Document
    known: Document
    told: tuple[tuple[str, Document], ...]


@dataclass
class Tally:
    """Times of answers in ms by what was asked, and what went wrong."""

    took_ms: dict[str, list[float]] = field(default_factory=dict)
    failures: list[str] = field(default_factory=list)
    ended: int = 0


@dataclass
class Client:
    """One technician's phone."""

    server: str
    token: str
    tally: Tally
    lock: threading.Lock

    def ask(
        self, what: str, address: str, body: Document | None = None, if_match: str = ""
    ) -> Document:
        """The answer's document; the time it took is kept under ``what``."""
        data = None if body is None else json.dumps(body).encode()
        headers = {"Authorization": f"Bearer {self.token}", "Content-Type": "application/json"}
        headers |= {"If-Match": if_match} if if_match else {}
        request = Request(f"{self.server}/api/v1/{address}", data, headers)  # noqa: S310
        started_s = time.perf_counter()
        try:
            with urlopen(request, timeout=ANSWER_WITHIN_S) as answer:  # noqa: S310
                read: Document = json.loads(answer.read())
                etag = answer.headers.get("ETag", "")
        except HTTPError as refused:
            told = refused.read().decode(errors="replace")[:300]
            raise RuntimeError(f"{what}: {refused.code} {told}") from refused
        took_ms = 1000.0 * (time.perf_counter() - started_s)
        with self.lock:
            self.tally.took_ms.setdefault(what, []).append(took_ms)
        return read | {"etag": etag}


def cases() -> list[Case]:
    """The traces, played through once."""
    made = []
    for index in range(DISTINCT):
        rehearsal = large_case(DEVICES, SHAPES[index % len(SHAPES)], index).rehearsal
        known = trace_document(blind_problem(rehearsal))
        survey = known.pop("survey")
        known.pop("format")
        told = tuple(
            (played.step.do, observation_document(played.observation))
            for played in play(rehearsal, clock_s=time.perf_counter).steps
        )
        made.append(Case(survey, known, told))
    return made


def load_row(key: str) -> Row:
    """Five minutes of it on one database."""
    made = cases()
    with installation(key) as served:
        tally, lock = Tally(), threading.Lock()
        clients = [Client(served.address, token, tally, lock) for token in served.tokens]
        paths = [
            [_register(clients[i % CONTRACTORS], i, made[i % DISTINCT]) for _ in range(IN_TURN)]
            for i in range(TRACES)
        ]
        set_up = tally.took_ms.copy()
        tally.took_ms.clear()
        until_s = time.monotonic() + FOR_S
        threads = [
            threading.Thread(
                target=_technician,
                args=(clients[i % CONTRACTORS], paths[i], made[i % DISTINCT], i, until_s),
            )
            for i in range(TRACES)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        peak_mb = _peak_mb(served.process)
    return {
        "database": key,
        "peak_mb": peak_mb,
        "failures": tally.failures[:5],
        "failed": len(tally.failures),
        "ended": tally.ended,
        "import_ms": round(float(np.median(set_up["import"]))),
        **{
            name: {
                "n": len(ms),
                "p50": round(float(np.percentile(ms, 50)), 1),
                "p95": round(float(np.percentile(ms, 95)), 1),
                "worst": round(max(ms), 1),
            }
            for name, ms in tally.took_ms.items()
        },
    }


def _register(client: Client, index: int, case: Case) -> str:
    """A controller with its path; the controller's id."""
    place = client.ask("register", "properties", {"name": f"Place {index}", "time_zone": "UTC"})[
        "id"
    ]
    controller: str = client.ask(
        "register", "controllers", {"property": place, "name": f"Controller {index}"}
    )["id"]
    client.ask("import", f"controllers/{controller}/wire-paths", case.survey)
    return controller


def _technician(
    client: Client, controllers: list[str], case: Case, index: int, until_s: float
) -> None:
    time.sleep(BEGIN_WITHIN_S * index / TRACES)
    try:
        for controller in itertools.cycle(controllers):
            if time.monotonic() >= until_s:
                return
            _one_trace(client, controller, case, until_s)
    except Exception as failure:  # noqa: BLE001 - told as the row's failures
        with client.lock:
            client.tally.failures.append(f"{type(failure).__name__}: {failure}")


def _one_trace(client: Client, controller: str, case: Case, until_s: float) -> None:
    at = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
    event = {"kind": "overcurrent", "at": at, "controller": controller}
    call = client.ask("event", "events", event)["call"]
    trace = client.ask("begin", "traces", {"call": call, "known": case.known})["id"]
    step = client.ask("next", f"traces/{trace}/next")
    for number, (do, observation) in enumerate(case.told, start=1):
        if step.get("do") != do:
            raise RuntimeError(f"step {number} asks for {step.get('do')}, played was {do}")
        begun_s = time.monotonic()
        if begun_s >= until_s:
            return
        told = {
            "client_id": f"o{number}",
            "client_seq": number,
            "client_at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
            "observation": observation,
        }
        client.ask("observation", f"traces/{trace}/observations", told)
        step = client.ask("next", f"traces/{trace}/next")
        time.sleep(max(0.0, BETWEEN_S - (time.monotonic() - begun_s)))
    if step.get("stage") != "done":
        raise RuntimeError(f"the trace is at {step.get('stage')} where it was done when played")
    with client.lock:
        client.tally.ended += 1
    _given_up(client, call)


def _given_up(client: Client, call: str) -> None:
    """The call cancelled, all on its path restored, so that the path is free for the next one."""
    found = client.ask("call", f"calls/{call}")
    there = client.ask("as left", f"wire-paths/{found['path']['id']}/as-left?limit=200")["items"]
    left = [{"item": one["id"], "answer": "restored"} for one in there]
    move = {"to": "cancelled", "why": "played to its end", "left": left}
    client.ask("move", f"calls/{call}/moves", move, if_match=found["etag"])


@dataclass(frozen=True)
class Served:
    """A server that runs: its address, a token of each contractor, its first process."""

    address: str
    tokens: list[str]
    process: int


@contextmanager
def installation(database: str) -> Iterator[Served]:
    """A server with a database of its own."""
    with tempfile.TemporaryDirectory(prefix="clampline-load-") as name:
        folder = Path(name)
        # PostgreSQL runs as another user where this one is root.
        folder.chmod(0o711)
        sqlite = {"CLAMPLINE_SQLITE_FILE": str(folder / "clampline.sqlite3")}
        if database == "sqlite":
            with _server(handed_on(DATABASE_URL="", REDIS_URL="", **sqlite)) as served:
                yield served
        else:
            with (
                own_postgres(folder / "postgres") as url,
                _server(handed_on(DATABASE_URL=url, REDIS_URL="")) as served,
            ):
                yield served


@contextmanager
def _server(environment: dict[str, str]) -> Iterator[Served]:
    environment = environment | {"OPENBLAS_NUM_THREADS": "1"}

    child(environment, "manage.py", "migrate", "--verbosity", "0")
    tokens = child(environment, "-m", "benchmarks.load_setup", str(CONTRACTORS)).split()
    port = free_port()
    serve = [sys.executable, "manage.py", "serve", "--bind", f"127.0.0.1:{port}"]
    process = subprocess.Popen(serve, cwd=ROOT, env=environment, stderr=subprocess.DEVNULL)
    try:
        _wait_for(f"http://127.0.0.1:{port}/livez")
        yield Served(f"http://127.0.0.1:{port}", tokens, process.pid)
    finally:
        process.terminate()
        process.wait(60)


def _peak_mb(process: int) -> int:
    """The most memory that the largest process below this one has held."""
    kib, below = 0, [process]
    while below:
        folder = Path(f"/proc/{below.pop()}")
        below += [
            int(child) for child in (folder / f"task/{folder.name}/children").read_text().split()
        ]
        words = (folder / "status").read_text().partition("VmHWM:")[2].split()
        kib = max(kib, int(words[0]))
    return round(kib / 1024)


def _wait_for(address: str) -> None:
    for _ in range(300):
        try:
            urlopen(address, timeout=2).close()  # noqa: S310
        except OSError:
            time.sleep(0.1)
        else:
            return
    raise RuntimeError(f"{address} does not answer")


def load_benchmarks() -> Iterator[Benchmark]:
    """The benchmark ``load``: a case for each database, one at a time."""
    yield Benchmark(
        "load",
        "Fifty technicians at once",
        lambda: DATABASES,
        load_row,
        load_section,
        fresh_processes=True,
        measured=MEASURED,
    )


def load_section(rows: list[Row]) -> str:
    """A line for each database and kind of request."""
    body = []
    for row in rows:
        if "error" in row:
            body.append((row["key"], "failed", "", "", "", row["error"]))
            continue
        for what in ("event", "begin", "next", "observation"):
            if what in row:
                ms = row[what]
                times = (f"{ms['p50']:.0f}", f"{ms['p95']:.0f}", f"{ms['worst']:.0f}")
                body.append((row["database"], what, ms["n"], *times))
    told = "; ".join(
        f"{row['database']}: {row['failed']} failed, {row['ended']} traces ended, import of a path"
        f" {row['import_ms']} ms, largest process {row['peak_mb']} MB"
        for row in rows
        if "error" not in row
    )
    head = ("database", "request", "n", "p50 ms", "p95 ms", "worst ms")
    return (
        f"{TRACES} open traces on paths of {DEVICES} devices for {FOR_S / 60:.0f} minutes,"
        f" {BETWEEN_S:.0f} s from step to step, all begun within {BEGIN_WITHIN_S:.0f} s, one web"
        " process; server, database and clients share"
        f" one machine of two cores.\n\n{table(head, body)}\n\n{told}."
    )
