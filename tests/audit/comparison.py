"""Holding figures of the product against those that were worked out anew."""

from __future__ import annotations

import csv
import io
import math
from typing import Any

from tests.audit.recompute import Table


def table_of_csv(text: str) -> Table:
    """A figure as its CSV tells it; empty fields are None."""
    found: Table = {}
    for row in csv.DictReader(io.StringIO(text, newline="")):
        name = row.pop("group")
        found[name.removeprefix("'")] = {key: value or None for key, value in row.items()}
    return found


def differences(told: Table, anew: Table) -> list[str]:
    """Where a figure says something else than what was worked out anew; every cell is looked at."""
    found = []
    if set(told) != set(anew):
        found.append(f"rows {sorted(set(told) ^ set(anew))} are in one of both alone")
    for row in set(told) & set(anew):
        cells = {key: value for key, value in told[row].items() if key not in _TEXT}
        if set(cells) != set(anew[row]):
            found.append(f"{row}: columns {sorted(set(cells) ^ set(anew[row]))}")
        found += [
            f"{row} {key}: told {value}, anew {anew[row].get(key)}"
            for key, value in cells.items()
            if not _alike(value, anew[row].get(key))
        ]
    return found


_TEXT = ("group_name", "property")


def _alike(told: str | None, anew: Any) -> bool:
    if told is None or anew is None:
        return told is None and anew is None
    if isinstance(anew, str):
        return told == anew
    if isinstance(anew, int):
        return float(told) == anew
    return math.isclose(float(told), float(anew), rel_tol=1e-6, abs_tol=1e-9)


def shown(value: Any, measure: str) -> str:
    """A value as pages and paper round it: shares to a tenth of a percent, numbers to three
    figures, hundreds to whole ones."""
    if value is None:
        return "–"
    if measure == "share":
        return f"{100 * float(value):.1f} %"
    if isinstance(value, int):
        return str(value)
    number = float(value)
    if abs(number) >= 100:
        return f"{number:.0f}"
    return f"{number:.1e}" if 0 < abs(number) < 0.001 else f"{number:.3g}"
