"""Invented months of calls over fifty properties, lived through the services on both databases."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from benchmarks.child import child
from benchmarks.report import table
from benchmarks.runner import Benchmark, Row
from core.environment import handed_on
from demo.own_services import own_postgres

DATABASES = ("sqlite", "postgresql")
SEEDS = (20260601, 20260602, 20260603)
MEASURED = (
    "faults/services",
    "faults/selectors",
    "faults/transitions.py",
    "faults/station_hours.py",
    "tests/repairs/month.py",
)


def month_keys() -> list[str]:
    """Each month on each database."""
    return [f"{seed}/{database}" for seed in SEEDS for database in DATABASES]


def month_row(key: str) -> Row:
    """One month on a database of its own."""
    seed, _, database = key.partition("/")
    with tempfile.TemporaryDirectory(prefix="clampline-month-") as name:
        # The server runs as another user where this one is root: let it through to its folder.
        Path(name).chmod(0o711)
        with _database(Path(name), database) as settings:
            environment = handed_on(
                DJANGO_SETTINGS_MODULE="core.settings.embedded",
                CLAMPLINE_SECRET_KEY="for benchmarks only",  # noqa: S106 - of a database that ends
                **settings,
            )
            child(environment, "manage.py", "migrate", "--verbosity", "0")
            month = json.loads(child(environment, "-m", "benchmarks.repair_month_run", seed))
    return {"seed": int(seed), "database": database, **month}


@contextmanager
def _database(folder: Path, name: str) -> Iterator[dict[str, str]]:
    if name == "sqlite":
        yield {"DATABASE_URL": "", "CLAMPLINE_SQLITE_FILE": str(folder / "clampline.sqlite3")}
        return
    with own_postgres(folder / "postgres", is_lasting=False) as url:
        yield {"DATABASE_URL": url}


def month_section(rows: list[Row]) -> str:
    """Calls and waits, month by month."""
    whole = [row for row in rows if "error" not in row]
    calls = [
        (
            row["seed"],
            row["database"],
            row["calls"],
            row["closed"],
            row["calls"] - row["closed"],
            f"{row['linked']} of {row['messages']}",
            row["lost"],
            row["refused"],
            f"{row['station_hours']:.0f}",
        )
        for row in whole
    ]
    calls_head = (
        "month|database|calls|closed|open at its end|messages on a call|lost|moves refused|"
        "stations dry × hours"
    )
    waits = [
        (
            row["seed"],
            row["database"],
            row["waits"]["begun"],
            row["waits"]["day_came"],
            row["waits"]["on_their_day"],
            row["waits"]["missed"],
            row["waits"]["by_rain"],
            row["waits"]["to_come"],
        )
        for row in whole
    ]
    waits_head = (
        "month|database|waits begun|their day came within the month|of these woken on that day|"
        "woken late or not at all|woken before it by rain|their day lies beyond the month"
    )
    return (
        "50 properties in four time zones, 30 days, four rounds a day: overcurrent messages of 0 to"
        " 3 paths, rain now and then, and on each open call with a chance of 40 % one step of work"
        " that its state allows. Waiting calls are woken in each round, as the schedule does every"
        " ten minutes. *Lost*: on no list though open, on one though ended, closed without a"
        " passed return test or a reason, or waiting past its day.\n\n"
        f"{table(calls_head.split('|'), calls)}\n\n"
        "Stations dry × hours of calls that are open at the end count up to then. Each wait is held"
        " against its day by the clock of its property:\n\n"
        f"{table(waits_head.split('|'), waits)}\n\n{_in_words(whole)}"
    )


def _in_words(rows: list[Row]) -> str:
    """Whether every wait whose day came was woken on it, and both databases say the same."""
    waits = [row["waits"] for row in rows]
    begun, came, on_day, beyond, rain = (
        sum(one[name] for one in waits)
        for name in ("begun", "day_came", "on_their_day", "to_come", "by_rain")
    )
    missed = came - on_day
    months = {row["seed"] for row in rows}
    alike = sum(len({_figures(row) for row in rows if row["seed"] == seed}) == 1 for seed in months)
    every = "every one was" if not missed else f"**all but {missed} were**"
    return (
        f"Of {begun} waits the day came for {came}, and {every} woken on it; {rain} had been woken"
        f" by rain before, and {beyond} still waited at the end because their day was yet to come."
        f" Months in which the databases tell the same figures: {alike} of {len(months)}."
    )


def _figures(row: Row) -> str:
    names = ("calls", "closed", "messages", "linked", "lost", "refused", "station_hours", "waits")
    return json.dumps([row[name] for name in names])


def month_benchmarks() -> Iterator[Benchmark]:
    """The benchmark ``repair-month``."""
    yield Benchmark(
        "repair-month",
        "A month of repairs",
        month_keys,
        month_row,
        month_section,
        fresh_processes=True,
        measured=MEASURED,
    )
