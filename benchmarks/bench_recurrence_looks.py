"""Five years of looks of a small contractor, through the real services and rows in PostgreSQL."""

from __future__ import annotations

import json

from benchmarks.child import child
from benchmarks.looks_drawing import load_svg
from benchmarks.report import table
from benchmarks.runner import ROOT, Row
from core.environment import handed_on
from tests.services.servers import PostgresServer

PICTURE = ROOT / "docs" / "pictures" / "inspections-in-rows.svg"
MEASURED = (
    "faults/recurrence",
    "faults/inspection_due.py",
    "faults/path_look_due.py",
    "faults/services/inspections.py",
    "faults/services/inspection_weeks.py",
    "faults/services/path_looks.py",
    "benchmarks/looks_in_rows.py",
)
_COLUMNS = (
    "paths",
    "weeks",
    "failures",
    "flags",
    "looks",
    "of_paths",
    "done",
    "skipped",
    "withdrawn",
    "open",
    "put_off",
    "capacity",
    "most_due",
    "most_done",
    "late_median",
    "late_most",
    "took_s",
)


def looks_keys() -> list[str]:
    """One small contractor."""
    return ["40"]


def looks_row(key: str) -> Row:
    """The years, on a server of their own."""
    del key
    server = PostgresServer()
    try:
        environment = handed_on(
            DATABASE_URL=server.database("looks"),
            OPENBLAS_NUM_THREADS="1",
            CLAMPLINE_SECRET_KEY="for benchmarks only",  # noqa: S106 - of a server that ends
            DJANGO_SETTINGS_MODULE="core.settings.embedded",
        )
        child(environment, "manage.py", "migrate", "--verbosity", "0")
        row: Row = json.loads(child(environment, "-m", "benchmarks.looks_run"))
    finally:
        server.remove()
    return row


def looks_section(rows: list[Row]) -> str:
    """The table and the plot, with what the columns mean and what was not found."""
    good = [row for row in rows if "error" not in row]
    words = (
        "Each Monday the night's run over the rows asks for looks and plans them; on Tuesday those"
        " of the week are done (of a hundred 12 are put off to the next plan, 6 skipped with a"
        " reason; 10 look worn, 5 show a fault); paths fail at random, two have a bad stretch."
        " Two paths a property; every other property waters from March to October alone; two weeks"
        " a year without work, and every thirteenth Monday off. Looks at flags, and at paths"
        " without one where the chance of a failure since the last look comes to 15 %"
        " (`of_paths`). `most_due`, `most_done`: in one week, before and after levelling;"
        " `late_`: weeks from the week due to the one in which it was done or skipped."
    )
    body = [[str(row[name]) for name in _COLUMNS] for row in good]
    parts = [words, table(_COLUMNS, body)]
    for row in good:
        PICTURE.write_text(
            load_svg(
                {n: count for n, count in enumerate(row["due_by_week"]) if count},
                {n: count for n, count in enumerate(row["after_by_week"]) if count},
                row["weeks"],
                row["capacity"],
            ),
            encoding="utf-8",
        )
        found = ", ".join(f"{name} {count}" for name, count in row["wrong"].items())
        parts.append(
            f"Held against the rows and the record of changes, what should not be: {found}. Of"
            f" {row['paths_without_look']} paths without an open look or flag that water all year"
            " it was reckoned apart that none was past its chance."
        )
        parts.append(f"![Looks a week before and after levelling](pictures/{PICTURE.name})")
    return "\n\n".join(parts)
