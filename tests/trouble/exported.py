"""The rows that a run reads and the parameters it ran with, as CSV: what ``recompute`` takes."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from collections.abc import Iterable

from django.db.models import Model

from faults.models import FaultEvent, Finding, RecurrenceRun, Trace
from sites.models import (
    Controller,
    Device,
    Node,
    PathRevision,
    Property,
    RowLineage,
    Season,
    Segment,
    WirePath,
)

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
}


def exported() -> dict[str, str]:
    """Every column of every row of the contractor in scope, table by table, nothing reckoned."""
    return {name: _table(model) for name, model in TABLES.items()}


def _table(model: type[Model]) -> str:
    columns = [field.attname for field in model._meta.concrete_fields]
    rows: Iterable[tuple[object, ...]] = model._default_manager.order_by("pk").values_list(*columns)
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(columns)
    writer.writerows([_text(value) for value in row] for row in rows)
    return out.getvalue()


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, dt.datetime | dt.date):
        return value.isoformat()
    if isinstance(value, dict | list):
        return json.dumps(value)
    return repr(value) if isinstance(value, float) else str(value)
