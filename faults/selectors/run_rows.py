"""The rows that a run over the history reads and the parameters it ran with, as CSV.

With them flags can be worked out anew outside of the product: whatever a run reckons from is here,
and nothing that it reckoned but the runs and flags themselves, to be compared.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from collections.abc import Iterable, Iterator

from django.db.models import Model, QuerySet

from faults.models.event import FaultEvent
from faults.models.trace import Finding, Trace
from faults.models.trouble import RecurrenceRun, TroubleFlag
from sites.models.controller import Controller, Season
from sites.models.device import Device, Node, Segment
from sites.models.map_row import RowLineage
from sites.models.property import Property
from sites.models.wire_path import PathRevision, WirePath

TABLES: dict[str, type[Model]] = {
    "properties": Property,
    "controllers": Controller,
    "seasons": Season,
    "paths": WirePath,
    "revisions": PathRevision,
    "lineage": RowLineage,
    "nodes": Node,
    "segments": Segment,
    "devices": Device,
    "events": FaultEvent,
    "traces": Trace,
    "findings": Finding,
    "runs": RecurrenceRun,
    "flags": TroubleFlag,
}
"""Tables by name."""


def run_rows() -> Iterator[tuple[str, str]]:
    """Name and CSV (RFC 4180) of each table of the contractor in scope: every column of every row,
    texts as they are stored, moments in UTC. Not for a spreadsheet: texts are not guarded."""
    for name, model in TABLES.items():
        yield name, _table(model)


def _table(model: type[Model]) -> str:
    columns = [field.attname for field in model._meta.concrete_fields]
    rows: Iterable[tuple[object, ...]] = _all(model).values_list(*columns)
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(columns)
    writer.writerows([_text(value) for value in row] for row in rows)
    return out.getvalue()


def _all(model: type[Model]) -> QuerySet[Model]:
    rows: QuerySet[Model] = model._default_manager.order_by("pk")  # noqa: SLF001 - any model's
    return rows


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, dt.datetime | dt.date):
        return value.isoformat()
    if isinstance(value, dict | list):
        return json.dumps(value)
    return repr(value) if isinstance(value, float) else str(value)
