"""A figure of the audit as a table whose every count opens down to its events."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from scipy.special import betaincinv

from faults.recurrence.checked import floats
from faults.recurrence.poisson_limits import garwood_limits

LEVEL = 0.95
"""Of all limits."""

Cell = str | int | float | None
Measure = Literal["count", "number", "share", "text"]


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its name in documents, what stands above it, and how its values are told."""

    key: str
    label: str
    measure: Measure = "count"


@dataclass(frozen=True, slots=True)
class Row:
    """One group. ``opens``: the ids of the events behind a count, by column."""

    key: str
    label: str
    cells: Mapping[str, Cell]
    opens: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Figure:
    """A table: ``says`` defines what it counts, ``of`` names what its rows are."""

    key: str
    title: str
    of: str
    says: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]

    def row(self, key: str) -> Row | None:
        """The row of a group."""
        return next((row for row in self.rows if row.key == key), None)


def cell_words(value: Cell, measure: Measure) -> str:
    """A value as pages and paper show it; documents and CSV hold all digits."""
    if value is None:
        return "–"
    if isinstance(value, str):
        return value
    if measure == "share":
        return f"{100.0 * value:.1f} %"
    if isinstance(value, int):
        return f"{value}"
    if measure == "number" and abs(value) >= 100.0:
        return f"{value:.0f}"
    return f"{value:.3g}" if value == 0.0 or abs(value) >= 1e-3 else f"{value:.1e}"


@dataclass(slots=True)
class Tally:
    """The events of one group by column, while they are gathered."""

    label: str
    # Ids in the order in which they were counted; a dictionary, to look each up at once.
    events: dict[str, dict[str, None]] = field(default_factory=dict)
    sums: dict[str, float] = field(default_factory=dict)

    def put(self, column: str, event: str) -> None:
        """Count an event once in a column."""
        self.events.setdefault(column, {})[event] = None

    def add(self, column: str, amount: float) -> None:
        """Add to a sum."""
        self.sums[column] = self.sums.get(column, 0.0) + amount

    def count(self, column: str) -> int:
        """How many events a column has."""
        return len(self.events.get(column, ()))


def row_of(key: str, tally: Tally, counted: Sequence[str], more: Mapping[str, Cell]) -> Row:
    """A row with the counts of some columns and further values."""
    counts: dict[str, Cell] = {name: tally.count(name) for name in counted}
    opens = {name: tuple(events) for name, events in tally.events.items() if name in counted}
    return Row(key, tally.label, counts | dict(more), opens)


def share_limits(part: int, whole: int, level: float = LEVEL) -> tuple[float | None, float | None]:
    """Exact limits of a share (Clopper and Pearson, Biometrika 26, 1934); None of nothing."""
    if whole == 0:
        return None, None
    tail = 0.5 * (1.0 - level)
    low = float(betaincinv(part, whole - part + 1, tail)) if part else 0.0
    high = float(betaincinv(part + 1, whole - part, 1.0 - tail)) if part < whole else 1.0
    return low, high


def share_cells(name: str, part: int, whole: int) -> dict[str, Cell]:
    """A share with its limits, as three cells."""
    low, high = share_limits(part, whole)
    share = part / whole if whole else None
    return {name: share, f"{name}_low": low, f"{name}_high": high}


def rate_cells(failed: int, exposure: float) -> dict[str, Cell]:
    """A rate with Garwood's limits, as three cells; None without exposure."""
    if exposure <= 0.0:
        return {"rate": None, "rate_low": None, "rate_high": None}
    limits = garwood_limits(floats([failed]), LEVEL)
    return {
        "rate": failed / exposure,
        "rate_low": float(limits.low[0]) / exposure,
        "rate_high": float(limits.high[0]) / exposure,
    }


def share_columns(name: str, label: str) -> tuple[Column, ...]:
    """The three columns of a share."""
    return (
        Column(name, label, "share"),
        Column(f"{name}_low", "95 % from", "share"),
        Column(f"{name}_high", "to", "share"),
    )
