"""People, their roles and crews."""

from __future__ import annotations

import pytest
from django.contrib.auth import authenticate
from django.test import RequestFactory

from core.accounts.actor import Actor, Role
from core.accounts.people import crew_create, person_create, person_set_roles
from core.models import Change, Contractor, CrewMember, Person
from core.problems import Conflict, Invalid
from core.tenancy.scope import contractor_scope
from tests.conftest import PASSWORD, person_of


def sign_in(name: str, password: str) -> object:
    return authenticate(RequestFactory().post("/"), username=name, password=password)


def test_a_person_signs_in_with_the_right_password_alone(technician: Person) -> None:
    assert sign_in(technician.sign_in_name, PASSWORD) == technician
    assert sign_in(technician.sign_in_name, PASSWORD + "x") is None
    assert sign_in("nobody", PASSWORD) is None


def test_who_left_does_not_sign_in(technician: Person, contractor: Contractor) -> None:
    with contractor_scope(contractor.pk):
        technician.is_active = False
        technician.save()
    assert sign_in(technician.sign_in_name, PASSWORD) is None


@pytest.mark.parametrize("password", ["short", "password1234", "12345678910"])
def test_a_weak_password_is_refused(by: Actor, password: str) -> None:
    with pytest.raises(Invalid) as told:
        person_create(
            sign_in_name="mira", name="Mira", password=password, roles=[Role.OWNER], by=by
        )
    assert {defect.pointer for defect in told.value.defects} == {"/password"}
    assert not Person.objects.exists()


def test_a_sign_in_name_is_one_persons_over_all_contractors(
    other_contractor: Contractor, by: Actor
) -> None:
    taken = person_of(other_contractor, Role.OWNER).sign_in_name
    with pytest.raises(Conflict):
        person_create(sign_in_name=taken, name="Mira", password=PASSWORD, roles=[], by=by)
    assert not Change.objects.filter(action="person.created").exists()


def test_roles_are_set_as_a_whole_and_told(technician: Person, contractor: Contractor) -> None:
    with contractor_scope(contractor.pk):
        person_set_roles(
            person=technician,
            roles=[Role.SUPERVISOR, Role.AUDITOR],
            by=Actor("system", "tests", "tests", contractor.pk),
        )
        technician.refresh_from_db()
        change = Change.objects.get(action="person.roles-set")
    assert technician.roles == {Role.SUPERVISOR, Role.AUDITOR}
    assert technician.version == 2
    assert (change.before, change.after) == (
        {"roles": ["technician"]},
        {"roles": ["auditor", "supervisor"]},
    )


def test_a_crew_has_members_and_a_name_of_its_own(by: Actor, technician: Person) -> None:
    crew = crew_create(name="East", members=[technician], by=by)
    assert list(crew.members.all()) == [technician]
    with pytest.raises(Conflict):
        crew_create(name="East", members=[], by=by)
    assert CrewMember.objects.count() == 1
