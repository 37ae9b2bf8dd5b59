"""Contractors, people and crews: taking them on and changing what they may do."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from zoneinfo import available_timezones

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from core.accounts.actor import Actor, Role
from core.changes.record import change_record
from core.clock import now
from core.models.accounts import Contractor, Crew, CrewMember, Person
from core.problems import Conflict, Defect, Invalid
from core.text_checks import name_defects, refuse_defects

MOST_PERSON_NAME = 120
MOST_CREW_NAME = 80


def contractor_create(*, name: str, time_zone: str = "UTC") -> Contractor:
    """A new contractor; run in ``everywhere``. Raises Invalid for an unknown time zone."""
    if time_zone not in available_timezones():
        defect = Defect("/time_zone", f"{time_zone!r} is no time zone", "a name like Europe/Madrid")
        raise Invalid("The time zone is not known.", defects=[defect])
    return Contractor.objects.create(name=name, time_zone=time_zone, created_at=now())


def person_create(
    *, sign_in_name: str, name: str, password: str, roles: Collection[Role], by: Actor
) -> Person:
    """A person who can sign in. Raises Invalid for a weak password or a name that shows nothing,
    Conflict for a taken name."""
    refuse_defects("person", name_defects("/name", name, MOST_PERSON_NAME))
    check_password(password, sign_in_name, name)
    person = Person(sign_in_name=sign_in_name, name=name, created_at=now(), **_marks(roles))
    person.set_password(password)
    try:
        with transaction.atomic():
            person.save()
            change_record(
                by=by,
                action="person.created",
                thing=("person", person.public_id),
                after={"name": name, "roles": sorted(roles)},
            )
    except IntegrityError as taken:
        raise Conflict("This sign-in name is taken.") from taken
    return person


@transaction.atomic
def person_set_roles(*, person: Person, roles: Collection[Role], by: Actor) -> None:
    """Give the person these roles and no others; it holds from their next request on."""
    before = sorted(person.roles)
    for name, value in _marks(roles).items():
        setattr(person, name, value)
    person.version += 1
    person.save()
    change_record(
        by=by,
        action="person.roles-set",
        thing=("person", person.public_id),
        before={"roles": before},
        after={"roles": sorted(roles)},
    )


@transaction.atomic
def crew_create(*, name: str, members: Sequence[Person], by: Actor) -> Crew:
    """A crew of these people. Raises Invalid for a name that shows nothing, Conflict for a taken
    name."""
    refuse_defects("crew", name_defects("/name", name, MOST_CREW_NAME))
    if Crew.objects.filter(name=name).exists():
        raise Conflict(f"There is a crew {name!r} already.")
    crew = Crew.objects.create(name=name, created_at=now())
    CrewMember.objects.bulk_create([CrewMember(crew=crew, person=person) for person in members])
    change_record(
        by=by,
        action="crew.created",
        thing=("crew", crew.public_id),
        after={"name": name, "members": [person.public_id for person in members]},
    )
    return crew


def _marks(roles: Collection[Role]) -> dict[str, bool]:
    return {f"is_{role.value}": role in roles for role in Role}


def check_password(password: str, sign_in_name: str, name: str) -> None:
    """Raise Invalid for a password that is too weak for this person."""
    try:
        validate_password(password, Person(sign_in_name=sign_in_name, name=name))
    except ValidationError as weak:
        defects = [Defect("/password", message) for message in weak.messages]
        raise Invalid("The password is too weak.", defects=defects) from weak
