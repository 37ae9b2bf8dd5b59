"""The night's run over a contractor's whole history in PostgreSQL, and over what changed in a day.

The server and the run each have a process of their own; the run's seconds and memory are its own,
the wall clock holds the server's work too. Beside it the same rows counted by a bare GROUP BY.
"""

from __future__ import annotations

import json

from benchmarks.child import child
from benchmarks.report import table
from benchmarks.runner import Row
from core.environment import handed_on
from tests.services.servers import PostgresServer

PATHS = {"10000": 100, "100000": 1000, "1000000": 10_000}
"""By segments: a hundred a path, and five hundred events."""

MEASURED = ("faults/recurrence", "faults/history_snapshot.py", "faults/tally_store.py")
_COLUMNS = (
    "segments",
    "events",
    "paths",
    "load",
    "group_by_s",
    "full_s",
    "ratio",
    "full_cpu_s",
    "memory_mb",
    "changed",
    "part_s",
    "part_cpu_s",
    "same",
    "flags",
    "planted_found",
    "planted",
)


def nightly_keys() -> list[str]:
    """The sizes, smallest first."""
    return list(PATHS)


def nightly_row(key: str) -> Row:
    """One size on a server of its own."""
    server = PostgresServer()
    try:
        own, all_rows = server.database("nightly"), server.superuser_address("nightly")
        environment = handed_on(
            DATABASE_URL=own,
            OPENBLAS_NUM_THREADS="1",
            CLAMPLINE_SECRET_KEY="for benchmarks only",  # noqa: S106 - of a server that ends
            DJANGO_SETTINGS_MODULE="core.settings.embedded",
        )

        child(environment, "manage.py", "migrate", "--verbosity", "0")
        child(environment, "-m", "benchmarks.nightly_fill", all_rows, str(PATHS[key]))
        row: Row = json.loads(child(environment, "-m", "benchmarks.nightly_run", "full"))
        child(environment, "-m", "benchmarks.nightly_fill", all_rows, str(PATHS[key]), "day")
        row |= json.loads(child(environment, "-m", "benchmarks.nightly_run", "part"))
    finally:
        server.remove()
    return row


def nightly_section(rows: list[Row]) -> str:
    """The table, with what its columns mean."""
    words = (
        "One contractor, two years. `full_s`: the first night, wall clock, tallies of all paths"
        " made and kept; `part_s`: the next night, when one path in a hundred had failed; `cpu`:"
        " the worker's own seconds, one process; `memory_mb`: the most it held; `group_by_s`:"
        " events by path and kind, segments by path; `same`: whether a run that made all tallies"
        " anew found the same to the last digit; `load`: of the machine as the run began, others at"
        " work there. `planted_found`: of stretches of six cells that failed six times more."
    )
    body = [[str(row.get(name, row.get("error", ""))) for name in _COLUMNS] for row in rows]
    return words + "\n\n" + table(_COLUMNS, body)
