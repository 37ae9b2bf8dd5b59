"""Changing people and crews that are there, as whoever edits them last saw them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

from django.db import transaction
from django.db.models import F

from core.accounts.actor import Actor, Role
from core.accounts.people import MOST_CREW_NAME, MOST_PERSON_NAME
from core.changes.record import change_record
from core.locking import locked, locked_one, refuse_past
from core.models.accounts import Crew, CrewMember, Person
from core.problems import Conflict, Stale
from core.text_checks import name_defects, refuse_defects

_CHANGED = "It was changed since you read it: read it again and look whether your change fits."


@transaction.atomic
def person_update(
    *,
    person: Person,
    by: Actor,
    name: str | None = None,
    roles: Collection[Role] | None = None,
    is_active: bool | None = None,
) -> Person:
    """The person with what is given changed; None leaves as it is, and where nothing changes
    nothing is written.

    It holds from their next request on.
    Raises Stale where ``person`` is not as stored, Conflict where the contractor would be left
    without an owner who can sign in, Invalid for a name that shows nothing.
    """
    if name is not None:
        refuse_defects("person", name_defects("/name", name, MOST_PERSON_NAME))
    wanted: dict[str, Any] = {}
    if name is not None:
        wanted["name"] = name
    if is_active is not None:
        wanted["is_active"] = is_active
    if roles is not None:
        wanted |= {f"is_{role.value}": role in roles for role in Role}
    if all(getattr(person, column) == value for column, value in wanted.items()):
        refuse_past("person", locked_one(person).version, person.version)
        return person
    before = _person_told(person)
    # The owners are held, so that of two who leave at once one stays.
    owners = locked(Person.objects.filter(is_owner=True, is_active=True))
    moved = Person.objects.filter(pk=person.pk, version=person.version).update(
        version=F("version") + 1, **wanted
    )
    if not moved:
        raise Stale(_CHANGED)
    person.refresh_from_db()
    stays_owner = person.is_owner and person.is_active
    if not stays_owner and [owner.pk for owner in owners] == [person.pk]:
        raise Conflict("Nobody would be left who owns this: make somebody else an owner first.")
    change_record(
        by=by,
        action="person.updated",
        thing=("person", person.public_id),
        before=before,
        after=_person_told(person),
    )
    return person


def _person_told(person: Person) -> dict[str, Any]:
    return {
        "name": person.name,
        "roles": sorted(person.roles),
        "is_active": person.is_active,
    }


@transaction.atomic
def crew_update(
    *, crew: Crew, by: Actor, name: str | None = None, members: Sequence[Person] | None = None
) -> Crew:
    """The crew with what is given changed; None leaves as it is, and where nothing changes
    nothing is written.

    Raises Stale where ``crew`` is not as stored, Conflict for a taken name, Invalid for one that
    shows nothing.
    """
    if name is not None:
        refuse_defects("crew", name_defects("/name", name, MOST_CREW_NAME))
    before = _crew_told(crew)
    named = before["members"] if members is None else sorted({one.public_id for one in members})
    if {"name": crew.name if name is None else name, "members": named} == before:
        refuse_past("crew", locked_one(crew).version, crew.version)
        return crew
    if name is not None and Crew.objects.filter(name=name).exclude(pk=crew.pk).exists():
        raise Conflict(f"There is a crew {name!r} already.")
    wanted = {} if name is None else {"name": name}
    moved = Crew.objects.filter(pk=crew.pk, version=crew.version).update(
        version=F("version") + 1, **wanted
    )
    if not moved:
        raise Stale(_CHANGED)
    if members is not None:
        CrewMember.objects.filter(crew=crew).exclude(person__in=members).delete()
        CrewMember.objects.bulk_create(
            [CrewMember(crew=crew, person=person) for person in members], ignore_conflicts=True
        )
    stored = Crew.objects.prefetch_related("members").get(pk=crew.pk)
    change_record(
        by=by,
        action="crew.updated",
        thing=("crew", crew.public_id),
        before=before,
        after=_crew_told(stored),
    )
    return stored


def _crew_told(crew: Crew) -> dict[str, Any]:
    return {
        "name": crew.name,
        "members": sorted(person.public_id for person in crew.members.all()),
    }
