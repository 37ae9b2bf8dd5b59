"""What the nights flagged as trouble, as a figure beside the others."""

from __future__ import annotations

from faults.audit.figure import Cell, Column, Figure, Row
from faults.audit.records import Asked, Flagged, Records

_COLUMNS = (
    Column("state", "Stands", "text"),
    Column("failures", "Failures"),
    Column("expected", "Expected by peers", "number"),
    Column("ratio_low", "Of what is expected, 95 % from", "number"),
    Column("ratio_high", "to", "number"),
    Column("p", "p", "number"),
    Column("q", "q", "number"),
)


def trouble_flags(records: Records, asked: Asked) -> Figure:
    """Flags that stood at some time within the audit, each with the evidence of its latest run.

    A flag is of a place and of no crew, so an audit of one crew has none.
    """
    flags = [one for one in records.flags if _is_asked(one, asked)]
    return Figure(
        key="trouble-flags",
        title="Trouble: what fails more than its peers",
        of="flag",
        says=(
            "Places and stretches that the night's run flagged, with the failures that the flag "
            "rests on, what their peers let expect, and how likely so many are by chance "
            "(p; q after allowing for all that was looked at)."
        ),
        columns=_COLUMNS,
        rows=tuple(_row(records, one) for one in sorted(flags, key=lambda one: (one.at, one.id))),
    )


def _is_asked(one: Flagged, asked: Asked) -> bool:
    ended = one.cleared is not None and asked.start is not None and one.cleared < asked.start
    of_place = asked.property in ("", one.property)
    return of_place and not asked.crew and not ended and one.at < asked.until


def _row(records: Records, one: Flagged) -> Row:
    cells: dict[str, Cell] = {
        "state": one.state,
        "failures": one.count,
        "expected": one.expected,
        "ratio_low": one.ratio_low,
        "ratio_high": one.ratio_high,
        "p": one.p,
        "q": one.q,
    }
    label = f"{records.name(one.path)}: {one.places}"
    return Row(one.id, label, cells, {"failures": one.failures})
