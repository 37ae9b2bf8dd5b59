"""Rows of one contractor are out of reach of another, and of code that names none."""

from __future__ import annotations

import pytest
from django.apps import apps
from django.db import DatabaseError, IntegrityError, connection, models, transaction

from core.accounts.actor import Actor, Role, system_actor
from core.accounts.people import crew_create
from core.changes.record import change_record
from core.models import Change, Contractor, Crew, CrewMember, Person
from core.tenancy.owned import ContractorOwned
from core.tenancy.scope import ScopeMissingError, contractor_scope, everywhere
from core.tenancy.walls import owned_links, owned_models
from tests.conftest import person_of


def test_a_query_outside_a_scope_raises(technician: Person) -> None:
    for query in (Person.objects.all, Person.objects.count, Person._base_manager.all):
        with pytest.raises(ScopeMissingError):
            query()
    with pytest.raises(ScopeMissingError):
        technician.refresh_from_db()
    with pytest.raises(ScopeMissingError):
        technician.save()


def test_a_scope_shows_its_own_rows_alone(
    contractor: Contractor, other_contractor: Contractor
) -> None:
    mine = person_of(contractor, Role.OWNER)
    theirs = person_of(other_contractor, Role.OWNER)
    with contractor_scope(contractor.pk):
        assert list(Person.objects.all()) == [mine]
        assert not Person.objects.filter(pk=theirs.pk).update(name="taken")
        with pytest.raises(Person.DoesNotExist):
            theirs.refresh_from_db()
        with pytest.raises(ScopeMissingError):
            theirs.save()
        with pytest.raises(ScopeMissingError):
            Person.objects.bulk_create([theirs])
    with everywhere(reason="to see both"):
        assert Person.objects.count() == 2


def test_a_relation_of_another_contractors_row_is_not_followed(
    contractor: Contractor, other_contractor: Contractor
) -> None:
    theirs = person_of(other_contractor, Role.OWNER)
    with contractor_scope(other_contractor.pk):
        crew = crew_create(name="East", members=[theirs], by=system_actor(1, "tests"))
        member = CrewMember.objects.get()
    member = CrewMember(pk=member.pk, crew_id=crew.pk, person_id=theirs.pk)
    with contractor_scope(contractor.pk):
        with pytest.raises(Crew.DoesNotExist):
            _ = member.crew
        assert list(crew.members.all()) == []


def test_the_database_refuses_a_link_to_another_contractors_row(
    contractor: Contractor, other_contractor: Contractor
) -> None:
    theirs = person_of(other_contractor, Role.OWNER)
    with contractor_scope(contractor.pk):
        crew = crew_create(name="West", members=[], by=system_actor(contractor.pk, "tests"))
        with pytest.raises(IntegrityError):
            add_member(crew, theirs.pk)


def add_member(crew: Crew, person_id: int) -> None:
    """PostgreSQL looks at a transaction's end, SQLite at once."""
    with transaction.atomic():
        CrewMember.objects.create(crew=crew, person_id=person_id)
        connection.check_constraints()


@pytest.mark.parametrize("statement", ["UPDATE {} SET action = 'x'", "DELETE FROM {}"])
def test_the_database_keeps_append_only_tables(by: Actor, statement: str) -> None:
    change = change_record(by=by, action="test.done", thing=("test", "one"))
    with (
        pytest.raises(DatabaseError, match="append-only"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(statement.format(Change._meta.db_table))
    assert Change.objects.get(pk=change.pk).action == "test.done"


def test_every_table_with_a_contractor_is_scoped() -> None:
    with_contractor = {
        model
        for model in apps.get_models()
        if any(field.name == "contractor" for field in model._meta.get_fields())
    }
    assert with_contractor == set(owned_models())
    assert len(with_contractor) > 5
    for model in with_contractor:
        assert issubclass(model, ContractorOwned)
        assert model._meta.base_manager_name == "objects", model
        assert type(model._base_manager) is type(model._default_manager), model


# What has to be unique over all contractors, with the reason.
UNIQUE_EVERYWHERE = {
    ("Person", "sign_in_name"): "a sign-in says no contractor",
    ("MachineToken", "secret_digest"): "a request with a token says no contractor",
    ("CalendarAddress", "secret_digest"): "a request for a calendar says no contractor",
}

# What is looked for over all contractors, with the reason.
INDEXED_EVERYWHERE = {
    "job_queued": "a worker takes the next job of any contractor",
    "job_leased": "the sweep looks for lost workers of all contractors",
}


def test_the_contractor_leads_every_unique_constraint_and_index() -> None:
    for model in owned_models():
        for constraint in model._meta.constraints:
            if isinstance(constraint, models.UniqueConstraint):
                assert constraint.fields[0] == "contractor", (model, constraint.name)
        for index in model._meta.indexes:
            if index.name not in INDEXED_EVERYWHERE:
                assert index.fields[0] == "contractor", (model, index.name)
        for field in model._meta.local_fields:
            links_rows = isinstance(field, models.OneToOneField)
            if field.unique and not field.primary_key and not links_rows:
                assert (model.__name__, field.name) in UNIQUE_EVERYWHERE


def test_links_between_owned_tables_are_seen() -> None:
    seen = {(link.child, link.column) for link in owned_links()}
    assert ("core_crewmember", "crew_id") in seen
    assert ("core_feedentry", "change_id") in seen
