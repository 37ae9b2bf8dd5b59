"""Reading people, crews and tokens."""

from __future__ import annotations

from collections.abc import Collection
from zoneinfo import ZoneInfo

from django.db.models import QuerySet

from core.models.accounts import Contractor, Crew, MachineToken, Person
from core.problems import Defect, Invalid, NotFound


def contractor_zone(contractor_id: int) -> ZoneInfo:
    """The time zone of a contractor: one query."""
    names = Contractor.objects.values_list("time_zone", flat=True)
    return ZoneInfo(names.get(pk=contractor_id))


def person_list(*, is_active: bool | None = None) -> QuerySet[Person]:
    """People of the contractor in scope."""
    rows = Person.objects.all()
    return rows if is_active is None else rows.filter(is_active=is_active)


def person_get(public_id: str) -> Person:
    """The person. Raises NotFound."""
    found = Person.objects.filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no person {public_id}.")
    return found


def people_named(public_ids: Collection[str], *, pointer: str) -> list[Person]:
    """These people, in this order. Raises Invalid that points to each who is not there."""
    found = {row.public_id: row for row in Person.objects.filter(public_id__in=public_ids)}
    defects = [
        Defect(f"{pointer}/{index}", f"there is no person {public_id}")
        for index, public_id in enumerate(public_ids)
        if public_id not in found
    ]
    if defects:
        raise Invalid("Somebody who is named is not there.", defects=defects)
    return [found[public_id] for public_id in dict.fromkeys(public_ids)]


def crew_list() -> QuerySet[Crew]:
    """Crews of the contractor in scope with their members: two queries."""
    return Crew.objects.prefetch_related("members")


def crews_of(person_pk: int | None) -> QuerySet[Crew]:
    """The crews that a person belongs to: one query."""
    return Crew.objects.filter(members=person_pk) if person_pk is not None else Crew.objects.none()


def crew_get(public_id: str) -> Crew:
    """The crew with its members: two queries. Raises NotFound."""
    found = crew_list().filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no crew {public_id}.")
    return found


def token_list() -> QuerySet[MachineToken]:
    """Tokens of the contractor in scope, ended ones too."""
    return MachineToken.objects.all()


def token_get(public_id: str) -> MachineToken:
    """The token. Raises NotFound."""
    found = MachineToken.objects.filter(public_id=public_id).first()
    if found is None:
        raise NotFound(f"There is no token {public_id}.")
    return found
