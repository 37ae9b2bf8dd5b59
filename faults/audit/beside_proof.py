"""What a crew closed without proof, beside every figure that would look better for it.

A fault that nobody proved has no place, so nothing can fail there again: repairs alone look the
better the more proof is skipped. So a figure of repairs by crew never stands alone. Beside it
stand all closings of the crew, proved or not, with the call-backs on their paths against what age
and splices let expect; its last columns cannot rise by skipping (``closures``).
"""

from __future__ import annotations

from dataclasses import replace

from faults.audit.figure import Cell, Column, Figure, Row, share_columns

SAYS = (
    " It would look better the more proof is skipped, so all closings of the crew stand beside it,"
    " proved or not: judge by the share proved and held, which skipping never raises."
)
_PREFIX = "calls_"
_COLUMNS = (
    Column("calls_closed", "Calls closed"),
    Column("calls_unproved", "Of these without proof"),
    Column("calls_stopped", "Stopped early"),
    Column("calls_untested", "Not tested"),
    Column("calls_back", "Calls that came back"),
    Column("calls_expected", "Expected to, by age and splices", "number"),
    Column("calls_ratio", "Came back / expected", "number"),
    Column("calls_held", "Proved and held"),
    *share_columns("calls_share", "Share proved and held"),
)


def beside_proof(figure: Figure, closings: Figure) -> Figure:
    """A figure by crew with all closings of its crews beside; a crew of which it has nothing is
    there too."""
    known = {row.key: row for row in figure.rows}
    closed = {row.key: row for row in closings.rows}
    counts: dict[str, Cell] = {one.key: 0 for one in figure.columns if one.measure == "count"}
    rows = []
    for key in sorted(known.keys() | closed.keys()):
        row = known.get(key) or Row(key, closed[key].label, counts)
        rows.append(_with(row, closed.get(key)))
    return replace(
        figure, says=figure.says + SAYS, columns=(*figure.columns, *_COLUMNS), rows=tuple(rows)
    )


def _with(row: Row, closed: Row | None) -> Row:
    names = {one.key: one.key.removeprefix(_PREFIX) for one in _COLUMNS}
    cells: dict[str, Cell] = {
        key: None if closed is None else closed.cells.get(name) for key, name in names.items()
    }
    opens = {
        key: closed.opens[name]
        for key, name in names.items()
        if closed is not None and name in closed.opens
    }
    return replace(row, cells={**row.cells, **cells}, opens={**row.opens, **opens})
