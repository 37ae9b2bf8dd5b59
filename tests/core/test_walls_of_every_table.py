"""Every table of contractors, held against what the database itself says of it."""

from __future__ import annotations

import pytest
from django.apps import apps
from django.db import connection

from core.tenancy.walls import owned_links, owned_models

WITHOUT_OWNER = {"Contractor", "BeatSlot"}
"""What belongs to nobody: the contractors themselves, and the schedule's beat."""


def test_only_what_belongs_to_nobody_has_no_owner() -> None:
    ours = {"core", "clampline_sites", "faults", "clampline_faults", "api", "clampline_api"}
    models = [
        one
        for one in apps.get_models()
        if one.__module__.split(".")[0] in {"core", "sites", "faults", "api"}
    ]
    assert len(models) > 50, ours
    assert {one.__name__ for one in models} - {one.__name__ for one in owned_models()} == (
        WITHOUT_OWNER
    )


@pytest.mark.django_db
@pytest.mark.skipif(connection.vendor != "postgresql", reason="only PostgreSQL has them")
def test_every_table_has_row_level_security_that_binds_its_owner_too() -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT c.relname, c.relrowsecurity, c.relforcerowsecurity,"
            " (SELECT string_agg(p.qual || coalesce(p.with_check, ''), ' ')"
            "  FROM pg_policies p WHERE p.tablename = c.relname)"
            " FROM pg_class c WHERE c.relkind = 'r'"
        )
        found = {name: (is_on, is_forced, policy) for name, is_on, is_forced, policy in cursor}
    for model in owned_models():
        is_on, is_forced, policy = found[model._meta.db_table]
        assert (is_on, is_forced) == (True, True), model._meta.db_table
        assert "contractor_id" in (policy or ""), model._meta.db_table


@pytest.mark.django_db
def test_every_link_is_held_within_one_contractor_by_the_database() -> None:
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "SELECT pg_get_constraintdef(oid), conrelid::regclass::text"
                " FROM pg_constraint WHERE contype = 'f'"
            )
            kept = [(table.strip('"'), text) for text, table in cursor.fetchall()]
            held = {
                link
                for link in owned_links()
                if any(
                    table == link.child and "contractor_id" in text and link.column in text
                    for table, text in kept
                )
            }
        else:
            cursor.execute("SELECT tbl_name, sql FROM sqlite_master WHERE type = 'trigger'")
            triggers = cursor.fetchall()
            held = {
                link
                for link in owned_links()
                if any(
                    table == link.child and link.column in text and "contractor_id" in text
                    for table, text in triggers
                )
            }
    assert len(owned_links()) > 60
    assert set(owned_links()) - held == set()
