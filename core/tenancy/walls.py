"""The database's own guards between contractors, derived from the models after every migration.

- A row may only point to rows of its own contractor: composite foreign keys on PostgreSQL,
  triggers on SQLite.
- Append-only tables refuse UPDATE and DELETE: triggers on both.
- PostgreSQL shows a role that is no superuser the rows of the contractor in scope alone:
  row-level security, told by ``core.tenancy.scope``.

SQLite rebuilds tables to alter them and would trip over triggers, so they come down before a
migration. Nothing here is kept in migrations: what a model says is what is guarded.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass

from django.apps import apps
from django.db import models
from django.db.backends.base.base import BaseDatabaseWrapper

from core.tenancy.owned import ContractorOwned
from core.tenancy.scope import EVERYWHERE, SETTING

PREFIX = "wall_"
POLICY = "contractor_in_scope"


@dataclass(frozen=True)
class Guard:
    """One guard: its name in the database and the statements that set it up."""

    name: str
    statements: tuple[str, ...]


@dataclass(frozen=True)
class Link:
    """A foreign key between two contractor-owned tables."""

    child: str
    column: str
    parent: str


def owned_models() -> list[type[ContractorOwned]]:
    """Every table that belongs to contractors."""
    return [model for model in apps.get_models() if issubclass(model, ContractorOwned)]


def owned_links() -> list[Link]:
    """Every foreign key from one contractor-owned table to another."""
    return [
        Link(model._meta.db_table, field.column, field.related_model._meta.db_table)
        for model in owned_models()
        for field in model._meta.local_fields
        if isinstance(field, models.ForeignKey) and issubclass(field.related_model, ContractorOwned)
    ]


def raise_walls(connection: BaseDatabaseWrapper) -> None:
    """Set up each guard that the database does not have yet."""
    with connection.cursor() as cursor:
        tables = set(connection.introspection.table_names(cursor))
        there = _names_there(connection)
        for guard in _guards(connection.vendor, tables):
            if guard.name not in there:
                for statement in guard.statements:
                    cursor.execute(statement)


def lower_walls(connection: BaseDatabaseWrapper) -> None:
    """Take the triggers of SQLite away; PostgreSQL alters its tables beneath its guards."""
    if connection.vendor != "sqlite":
        return
    with connection.cursor() as cursor:
        for name in _names_there(connection):
            cursor.execute(f'DROP TRIGGER IF EXISTS "{name}"')


def _names_there(connection: BaseDatabaseWrapper) -> set[str]:
    if connection.vendor == "sqlite":
        query = "SELECT name FROM sqlite_master WHERE type = 'trigger' AND name LIKE 'wall%%'"
    else:
        query = (
            "SELECT conname FROM pg_constraint WHERE conname LIKE 'wall%%'"
            " UNION SELECT tgname FROM pg_trigger WHERE tgname LIKE 'wall%%'"
            " UNION SELECT indexname FROM pg_indexes WHERE indexname LIKE 'wall%%'"
            f" UNION SELECT tablename || '.{POLICY}' FROM pg_policies WHERE policyname = '{POLICY}'"
        )
    with connection.cursor() as cursor:
        cursor.execute(query.replace("%%", "%"))
        return {row[0] for row in cursor.fetchall()}


def _guards(vendor: str, tables: set[str]) -> Iterator[Guard]:
    links = [link for link in owned_links() if {link.child, link.parent} <= tables]
    own = [model for model in owned_models() if model._meta.db_table in tables]
    if vendor == "sqlite":
        for link in links:
            yield from _sqlite_link(link)
        for model in own:
            if model.append_only:
                yield from _sqlite_append_only(model._meta.db_table)
    elif vendor == "postgresql":
        for parent in sorted({link.parent for link in links}):
            yield _postgres_key(parent)
        for link in links:
            yield _postgres_link(link)
        for model in own:
            yield _postgres_policy(model._meta.db_table)
            if model.append_only:
                yield _postgres_append_only(model._meta.db_table)


def _named(*parts: str) -> str:
    """A name within PostgreSQL's 63 bytes, the same for the same parts."""
    whole = "_".join(parts)
    digest = hashlib.sha256(whole.encode()).hexdigest()[:10]
    return f"{PREFIX}{whole[:44]}_{digest}"


def _sqlite_link(link: Link) -> Iterator[Guard]:
    for moment in ("INSERT", f"UPDATE OF {link.column}, contractor_id"):
        name = _named(link.child, link.column, moment.split()[0].lower())
        yield Guard(
            name,
            (
                f'CREATE TRIGGER "{name}" BEFORE {moment} ON "{link.child}"'
                f' WHEN NEW."{link.column}" IS NOT NULL AND NOT EXISTS ('
                f'SELECT 1 FROM "{link.parent}" WHERE id = NEW."{link.column}"'
                " AND contractor_id = NEW.contractor_id) BEGIN SELECT RAISE(ABORT,"
                f" '{link.child}.{link.column} points to another contractor''s row'); END",
            ),
        )


def _sqlite_append_only(table: str) -> Iterator[Guard]:
    for moment in ("UPDATE", "DELETE"):
        name = _named(table, "keeps", moment.lower())
        yield Guard(
            name,
            (
                f'CREATE TRIGGER "{name}" BEFORE {moment} ON "{table}"'
                f" BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END",
            ),
        )


def _postgres_key(parent: str) -> Guard:
    name = _named(parent, "own")
    return Guard(name, (f'CREATE UNIQUE INDEX "{name}" ON "{parent}" (contractor_id, id)',))


def _postgres_link(link: Link) -> Guard:
    name = _named(link.child, link.column)
    return Guard(
        name,
        (
            f'ALTER TABLE "{link.child}" ADD CONSTRAINT "{name}"'
            f' FOREIGN KEY (contractor_id, "{link.column}")'
            f' REFERENCES "{link.parent}" (contractor_id, id) DEFERRABLE INITIALLY DEFERRED',
        ),
    )


def _postgres_policy(table: str) -> Guard:
    setting = f"current_setting('{SETTING}', true)"
    seen = (
        f"{setting} = '{EVERYWHERE}'"
        f" OR contractor_id = NULLIF(NULLIF({setting}, '{EVERYWHERE}'), '')::bigint"
    )
    return Guard(
        f"{table}.{POLICY}",
        (
            f'ALTER TABLE "{table}" ENABLE ROW LEVEL SECURITY',
            f'ALTER TABLE "{table}" FORCE ROW LEVEL SECURITY',
            f'CREATE POLICY {POLICY} ON "{table}" USING ({seen}) WITH CHECK ({seen})',
        ),
    )


def _postgres_append_only(table: str) -> Guard:
    name = _named(table, "keeps")
    return Guard(
        name,
        (
            "CREATE OR REPLACE FUNCTION wall_append_only() RETURNS trigger LANGUAGE plpgsql AS"
            " $$ BEGIN RAISE EXCEPTION '% is append-only', TG_TABLE_NAME"
            " USING ERRCODE = 'integrity_constraint_violation'; END $$",
            f'CREATE TRIGGER "{name}" BEFORE UPDATE OR DELETE ON "{table}"'
            " FOR EACH ROW EXECUTE FUNCTION wall_append_only()",
        ),
    )
