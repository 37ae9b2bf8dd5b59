# ruff: noqa: S608 - all words of the statements are of this file and of the models
"""Fills a database with a contractor's paths, events and failures, by SQL alone.

Run as ``python -m benchmarks.nightly_fill URL PATHS [day]``; with ``day`` one path in a hundred
fails once more. URL is a superuser's, so that no check of keys is paid for row by row.
"""

from __future__ import annotations

import sys
from typing import Any

import django
import psycopg

from core.environment import choose_settings

SEGMENTS, DEVICES, EVENTS, FAILURES = 100, 20, 500, 4
TROUBLE_EVERY = 1000
"""One path in so many has a stretch that fails six times more."""

BEGAN = "timestamptz '2024-11-01 08:00+00'"
_DAY = "interval '1 day'"


def main(url: str, paths: int, what: str) -> None:
    """All rows, or those of one more day."""
    choose_settings()
    django.setup()
    with psycopg.connect(url) as connection:
        connection.execute("SET session_replication_role = replica")
        _Fill(connection, paths).day() if what == "day" else _Fill(connection, paths).all()
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("ANALYZE")


class _Fill:
    def __init__(self, connection: psycopg.Connection[Any], paths: int) -> None:
        self._run = connection.execute
        self._paths = paths

    def _insert(self, model: Any, source: str, **given: str) -> None:
        """Rows of a model from a query; what is not given is as the model has it by default."""
        columns, values = [], []
        for one in model._meta.concrete_fields:
            name, value = one.column, given.get(one.name, given.get(one.column))
            if value is None and (one.null or (one.name == "id" and one.name not in given)):
                continue
            if value is None and one.name == "contractor":
                value = "1"
            if value is None and one.name == "public_id":
                value = f"'{one.prefix}_' || lpad(n::text, 26, '0')"
            columns.append(f'"{name}"')
            values.append(value if value is not None else _default(one))
        self._run(
            f'INSERT INTO "{model._meta.db_table}" ({", ".join(columns)})'  # type: ignore[arg-type]
            f" SELECT {', '.join(values)} FROM {source}"
        )

    def all(self) -> None:
        from core.models import Contractor  # noqa: PLC0415 - needs Django set up
        from faults.models import FaultCall, FaultEvent, Trace  # noqa: PLC0415
        from sites.models import (  # noqa: PLC0415
            Controller,
            Device,
            Node,
            PathRevision,
            Property,
            Segment,
            WirePath,
        )

        each = f"generate_series(1, {self._paths}) AS n"
        name, one = "'Number ' || n", "1"
        self._insert(Contractor, "generate_series(1, 1) AS n", id="n", name=name, created_at=BEGAN)
        self._insert(Property, each, id="n", name=name, time_zone="'UTC'", created_at=BEGAN)
        self._insert(Controller, each, id="n", property="n", name=name, created_at=BEGAN)
        header = {"frequency_hz": "60", "source_v": "26", "source_ohm_r": "0"}
        header |= {"source_ohm_x": "0", "trip_ma": "900", "label": name}
        self._insert(WirePath, each, id="n", controller="n", created_at=BEGAN, **header)
        counts = {"node_count": "101", "segment_count": "100", "device_count": "20"}
        revision = {"path": "n", "number": one, "at": BEGAN, "by_name": "''"}
        self._insert(PathRevision, each, **revision, **counts, **header)
        rows = {"from_revision": one, "known_at": BEGAN, "path": "(n - 1) / {0} + 1"}
        nodes = self._many(SEGMENTS + 1)
        at = f"(n - 1) % {SEGMENTS + 1}"
        kind = f"CASE WHEN {at} = 0 THEN 'controller' ELSE 'inline-splice' END"
        self._insert(
            Node,
            nodes,
            **_of(rows, SEGMENTS + 1),
            code=f"'N' || {at}",
            place=at,
            kind=kind,
            x_m="0",
            y_m="0",
            access="'box'",
        )
        at = f"(n - 1) % {SEGMENTS}"
        self._insert(
            Segment,
            self._many(SEGMENTS),
            **_of(rows, SEGMENTS),
            code=f"'S' || {at} + 1",
            place=at,
            from_code=f"'N' || {at}",
            to_code=f"'N' || {at} + 1",
            length_m="5 + 60 * random()",
            conductor="'AWG14'",
        )
        at = f"(n - 1) % {DEVICES}"
        self._insert(
            Device,
            self._many(DEVICES),
            **_of(rows, DEVICES),
            code=f"'D' || {at}",
            place=at,
            node_code=f"'N' || {at} * 5 + 1",
            kind="'decoder'",
            draw_ma="3",
        )
        self._insert(
            FaultCall, each, id="n", property="n", path="n", opened_at=BEGAN, created_at=BEGAN
        )
        self._insert(Trace, each, id="n", call="n", path="n", revision=one, started_at=BEGAN)
        self._events(FaultEvent)
        self._failures(
            self._many(FAILURES), f"(n - 1) / {FAILURES} + 1", "n % 100", "random() * 720"
        )
        bad = f"generate_series(1, {6 * max(1, self._paths // TROUBLE_EVERY)}) AS n"
        where = f"((n - 1) / 6) * {TROUBLE_EVERY} + 1"
        self._failures(bad, where, "40 + n % 6", "30 + 100 * (n % 6)", "x")

    def _many(self, of_a_path: int) -> str:
        return f"generate_series(1, {self._paths * of_a_path}) AS n"

    def _events(self, model: Any) -> None:
        """A fifth are rain, some lightning, switching off and on; the rest messages."""
        kind = (
            "CASE WHEN n % 100 < 20 THEN 'rain' WHEN n % 100 < 22 THEN 'lightning'"
            " WHEN n % 500 = 30 THEN 'off' WHEN n % 500 = 31 THEN 'energised'"
            " WHEN n % 500 = 32 THEN 'off' WHEN n % 500 = 33 THEN 'energised'"
            " ELSE 'overcurrent' END"
        )
        at = (
            f"{BEGAN} + {_DAY} * CASE n % 500 WHEN 30 THEN 60 WHEN 31 THEN 150 WHEN 32 THEN 420"
            " WHEN 33 THEN 510 ELSE random() * 725 END"
        )
        place = f"(n - 1) / {EVENTS} + 1"
        source = f"(SELECT n, {at} AS at FROM {self._many(EVENTS)}) AS told"
        self._insert(
            model,
            source,
            property=place,
            controller=place,
            path=place,
            kind=kind,
            at="at",
            received_at="at",
            rain_mm="8",
            external_id="''",
        )

    def _failures(self, source: str, path: str, cell: str, day: str, mark: str = "") -> None:
        from faults.models import Finding  # noqa: PLC0415

        at = (
            f"CASE WHEN n % 2 = 0 THEN json_build_object('segment', 'S' || {cell} + 1)"
            f" ELSE json_build_object('splice', 'N' || {cell} + 1) END"
        )
        self._insert(
            Finding,
            source,
            public_id=f"'find{mark}_' || lpad(n::text, 26, '0')",
            trace=path,
            at=at,
            kind="'short'",
            chance="1",
            proved="true",
            basis="'[]'",
            made_at=f"{BEGAN} + {_DAY} * ({day})",
        )

    def day(self) -> None:
        """One path in a hundred fails once more, on the day after."""
        source = f"generate_series(1, {max(1, self._paths // 100)}) AS n"
        self._failures(source, "(n - 1) * 100 + 7", "(n * 7) % 100", "730.5", "y")


def _of(rows: dict[str, str], of_a_path: int) -> dict[str, str]:
    return {name: words.format(of_a_path) for name, words in rows.items()}


def _default(field: Any) -> str:
    """A field's default as SQL."""
    value = field.get_default()
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return str(value)
    if isinstance(value, list | dict):
        return "'[]'" if isinstance(value, list) else "'{}'"
    return f"'{value or ''}'"


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), (sys.argv[3:] or ["all"])[0])
