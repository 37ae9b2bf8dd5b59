"""What every test shares."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator

import pytest
from django.db import connection
from hypothesis import settings

from core.accounts.actor import Actor, Role, system_actor
from core.accounts.people import contractor_create, person_create
from core.accounts.sign_in import person_actor
from core.models import Contractor, Person
from core.tenancy.scope import contractor_scope, everywhere
from core.tenancy.walls import lower_walls
from tests import begun

# Two test processes share two cores with whatever else runs there, so a wall-clock deadline for
# one example says nothing about the code. A failing example is printed so that it can be kept.
settings.register_profile("house", deadline=None, print_blob=True, max_examples=60)
settings.load_profile("house")

WITH_DATABASE = frozenset({"db", "transactional_db", "django_db_setup", "live_server"})


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what touches a database, so that those tests can be run on another one too."""
    for item in items:
        fixtures = WITH_DATABASE.intersection(getattr(item, "fixturenames", ()))
        if fixtures or item.get_closest_marker("django_db") is not None:
            item.add_marker("database")


PASSWORD = "weathered-oak-trellis"  # noqa: S105 - of people who exist in tests alone


@pytest.fixture(scope="session")
def django_db_modify_db_settings(
    django_db_modify_db_settings_parallel_suffix: None,
) -> Iterator[None]:
    """The database in memory starts as a copy of one that was migrated before; pytest-django's
    own migrating then finds no table to lay. It lives as long as somebody holds it open."""
    if connection.vendor != "sqlite":
        yield
        return
    held = sqlite3.connect(connection.creation._get_test_db_name(), uri=True)
    begun.copy_into(held)
    yield
    held.close()


@pytest.fixture(autouse=True)
def _emptying_is_allowed(request: pytest.FixtureRequest) -> Iterator[None]:
    """Tests with real transactions empty all tables afterwards, append-only ones too; the walls
    stand again after that, for emptying ends as a migration does."""
    yield
    if {"transactional_db", "django_db_reset_sequences"} & set(request.fixturenames):
        lower_walls(connection)


@pytest.fixture(autouse=True)
def _transactional_before_walls(request: pytest.FixtureRequest) -> None:
    marker = request.node.get_closest_marker("django_db")
    if marker is not None and marker.kwargs.get("transaction"):
        request.getfixturevalue("transactional_db")


@pytest.fixture
def contractor(db: None) -> Contractor:
    with everywhere(reason="a test begins"):
        return contractor_create(name="Alder Water Works", time_zone="Europe/Madrid")


@pytest.fixture
def other_contractor(db: None) -> Contractor:
    with everywhere(reason="a test begins"):
        return contractor_create(name="Birch Grounds", time_zone="America/Denver")


def person_of(contractor: Contractor, role: Role, name: str = "") -> Person:
    """A person with this role alone; the sign-in name is the role at the contractor."""
    with contractor_scope(contractor.pk):
        return person_create(
            sign_in_name=f"{name or role.value}@{contractor.public_id}",
            name=name or role.label,
            password=PASSWORD,
            roles=[role],
            by=system_actor(contractor.pk, "tests"),
        )


@pytest.fixture
def technician(contractor: Contractor) -> Person:
    return person_of(contractor, Role.TECHNICIAN)


@pytest.fixture
def supervisor(contractor: Contractor) -> Person:
    return person_of(contractor, Role.SUPERVISOR)


@pytest.fixture
def auditor(contractor: Contractor) -> Person:
    return person_of(contractor, Role.AUDITOR)


@pytest.fixture
def owner(contractor: Contractor) -> Person:
    return person_of(contractor, Role.OWNER)


@pytest.fixture
def acting() -> Callable[[Person], Actor]:
    return person_actor


@pytest.fixture
def by(contractor: Contractor) -> Iterator[Actor]:
    """Somebody of the contractor who acts, with the contractor in scope for the whole test."""
    with contractor_scope(contractor.pk):
        yield system_actor(contractor.pk, "tests")
