"""The audit as tables: each figure, and the raw rows from which all of them can be worked out."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Sequence

from core.csv_text import Value, csv_text
from core.problems import NotFound
from faults.audit.assemble import Audit
from faults.audit.figure import Figure
from faults.audit.records import At, Facts, Records

_DAY = dt.timedelta(days=1)
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)

Table = tuple[tuple[str, ...], Iterator[Sequence[Value]]]


def moment_of(day: float) -> dt.datetime:
    """The moment of days since 1970 began, to the microsecond."""
    return _EPOCH + day * _DAY


def audit_csv(found: Audit, table: str) -> str:
    """A figure or raw table by its name. Raises NotFound."""
    figure = found.figure(table)
    if figure is not None:
        return csv_text(*_figure_table(figure))
    if table not in RAW:
        there = ", ".join(table_names(found))
        raise NotFound(f"There is no table {table[:40]!r} in the audit; there are {there}.")
    return csv_text(*RAW[table](found.records))


def table_names(found: Audit) -> list[str]:
    """The names of all tables, figures first."""
    return [*(figure.key for figure in found.figures), *RAW]


def _figure_table(figure: Figure) -> Table:
    header = ("group", "group_name", *(column.key for column in figure.columns))
    rows = (
        (row.key, row.label, *(row.cells.get(column.key) for column in figure.columns))
        for row in figure.rows
    )
    return header, rows


def _cases(records: Records) -> Table:
    header = (
        *("call", "property", "paths", "crew", "opened_at", "closed_at", "reopened_at"),
        *("outcome", "proof", "stopped_early", "tested", "cancelled"),
    )
    rows = (
        (
            *(one.id, one.property, " ".join(one.paths), one.crew, _at(one.opened)),
            *(_at(one.closed), _at(one.reopened), one.outcome, one.proof),
            *(one.stopped, one.tested, one.cancelled),
        )
        for one in records.cases
    )
    return header, rows


_PLACE = ("path", "place_kind", "place", "sort", "made_on", "amount")


def _place(place: At | None) -> tuple[Value, ...]:
    if place is None:
        return ("",) * len(_PLACE)
    facts = place.facts
    return (place.path, facts.kind, place.code, facts.sort, _on(facts), facts.amount)


def _failures(records: Records) -> Table:
    header = ("finding", "call", "property", "crew", "at", *_PLACE)
    rows = (
        (one.id, one.case, one.property, one.crew, _at(one.at), *_place(one.place))
        for one in records.failures
    )
    return header, rows


def _repairs(records: Records) -> Table:
    header = (
        *("repair", "call", "property", "crew", "at", "kind", "splices_made", *_PLACE),
        *("said_not_to_hold", "soak_check", "soak_check_over_at", "passed_wet_test"),
    )
    rows = (
        (
            *(one.id, one.case, one.property, one.crew, _at(one.at), one.kind, one.splices),
            *_place(one.place),
            *(one.told_failed, one.soak, _at(one.soak_due), one.wet_test),
        )
        for one in records.repairs
    )
    return header, rows


def _parts(records: Records) -> Table:
    header = ("part", "call", "property", "crew", "removed_at", "what", "bench")
    rows = (
        (one.id, one.case, one.property, one.crew, _at(one.at), one.what, one.bench)
        for one in records.parts
    )
    return header, rows


def _flags(records: Records) -> Table:
    header = (
        *("flag", "property", "path", "state", "raised_at", "cleared_at", "places", "findings"),
        *("failures", "expected", "p", "q"),
    )
    rows = (
        (
            *(one.id, one.property, one.path, one.state, _at(one.at), _at(one.cleared)),
            *(one.places, " ".join(one.failures), one.count, one.expected, one.p, one.q),
        )
        for one in records.flags
    )
    return header, rows


def _ground(records: Records) -> Table:
    header = ("path", "property", "kind", "sort", "made_on", "amount", "from_at", "until_at")
    rows = (
        (
            *(one.path, one.property, one.facts.kind, one.facts.sort, _on(one.facts)),
            *(one.facts.amount, _at(one.start), _at(one.stop)),
        )
        for one in records.ground
    )
    return header, rows


def _map(records: Records) -> Table:
    """The newest maps of paths with failures or repairs: nodes, cables with their ends, devices
    with their node."""
    header = ("path", "kind", "code", "from_node", "to_node", "sort", "made_on", "amount")
    return header, _map_rows(records)


def _map_rows(records: Records) -> Iterator[Sequence[Value]]:
    for path, one in records.maps.items():
        for node in one.nodes:
            facts = node.facts or Facts("controller")
            yield path, facts.kind, node.code, "", "", facts.sort, _on(facts), facts.amount
        for cable in one.cables:
            yield path, cable.facts.kind, cable.code, *cable.ends, *_lain(cable.facts)
        for device in one.devices:
            yield path, device.facts.kind, device.code, device.node, "", *_lain(device.facts)


def _lain(facts: Facts) -> tuple[Value, ...]:
    return facts.sort, _on(facts), facts.amount


def _at(day: float | None) -> str:
    return "" if day is None else moment_of(day).isoformat().replace("+00:00", "Z")


def _on(facts: Facts) -> str:
    return "" if facts.made is None else moment_of(facts.made).date().isoformat()


RAW: dict[str, Callable[[Records], Table]] = {
    "raw-calls": _cases,
    "raw-failures": _failures,
    "raw-repairs": _repairs,
    "raw-parts": _parts,
    "raw-flags": _flags,
    "raw-ground": _ground,
    "raw-maps": _map,
}
"""Raw tables by name."""
