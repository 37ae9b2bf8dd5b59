"""PostgreSQL's own wall: even SQL without a condition sees one contractor's rows alone."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from django.db import DatabaseError, connection, transaction

from core.accounts.actor import Role
from core.models import Contractor
from core.tenancy.scope import contractor_scope, everywhere
from tests.conftest import person_of

pytestmark = pytest.mark.skipif(
    connection.vendor != "postgresql", reason="only PostgreSQL has row-level security"
)

ROLE = "clampline_of_a_test"


@pytest.fixture
def _ordinary_role(db: None) -> Iterator[None]:
    """A superuser passes every policy, so the test goes on as somebody who is none."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT rolsuper FROM pg_roles WHERE rolname = current_user")
        is_superuser = cursor.fetchone()[0]
        if is_superuser:
            cursor.execute(f"CREATE ROLE {ROLE}")
            cursor.execute(f"GRANT ALL ON ALL TABLES IN SCHEMA public TO {ROLE}")
            cursor.execute(f"GRANT ALL ON ALL SEQUENCES IN SCHEMA public TO {ROLE}")
    yield
    with connection.cursor() as cursor:
        cursor.execute("RESET ROLE")


def go_on_as_ordinary_role() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", [ROLE])
        if cursor.fetchone():
            cursor.execute(f"SET LOCAL ROLE {ROLE}")


def names_by_plain_sql() -> set[str]:
    with connection.cursor() as cursor:
        cursor.execute("SELECT name FROM core_person")
        return {row[0] for row in cursor.fetchall()}


@pytest.mark.usefixtures("_ordinary_role")
def test_plain_sql_sees_the_scope_alone(
    contractor: Contractor, other_contractor: Contractor
) -> None:
    person_of(contractor, Role.OWNER, "Mine")
    person_of(other_contractor, Role.OWNER, "Theirs")
    go_on_as_ordinary_role()
    assert names_by_plain_sql() == set()
    with contractor_scope(contractor.pk):
        assert names_by_plain_sql() == {"Mine"}
        with contractor_scope(other_contractor.pk):
            assert names_by_plain_sql() == {"Theirs"}
        assert names_by_plain_sql() == {"Mine"}
    with everywhere(reason="to see both"):
        assert names_by_plain_sql() == {"Mine", "Theirs"}
    assert names_by_plain_sql() == set()


@pytest.mark.usefixtures("_ordinary_role")
def test_plain_sql_writes_no_row_of_another(
    contractor: Contractor, other_contractor: Contractor
) -> None:
    person_of(other_contractor, Role.OWNER, "Theirs")
    go_on_as_ordinary_role()
    with contractor_scope(contractor.pk), connection.cursor() as cursor:
        cursor.execute("UPDATE core_person SET name = 'Taken'")
        assert cursor.rowcount == 0
        with pytest.raises(DatabaseError, match="row-level security"), transaction.atomic():
            cursor.execute(
                "INSERT INTO core_crew (public_id, name, version, created_at, contractor_id)"
                " VALUES ('crew_x', 'Slipped in', 1, now(), %s)",
                [other_contractor.pk],
            )
