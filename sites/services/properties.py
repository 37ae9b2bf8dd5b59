"""Taking on properties and changing what is known of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass

from django.db import IntegrityError, transaction

from core.accounts.actor import Actor
from core.changes.record import change_record
from core.clock import now
from core.locking import locked_one, refuse_past
from core.problems import Conflict, Defect
from core.text_checks import line_defects, lines_defects, name_defects, refuse_defects
from sites.field_checks import position_defects, time_zone_defects
from sites.models.property import Property
from sites.services.versions import version_update


@dataclass(frozen=True)
class PropertyDetails:
    """What people say of a property. ``external_id``: its name in another system, once each."""

    name: str
    time_zone: str
    address: str = ""
    lat: float | None = None
    lon: float | None = None
    access_note: str = ""
    external_id: str = ""

    def defects(self) -> Iterator[Defect]:
        """What does not fit, with JSON pointers."""
        yield from name_defects("/name", self.name, 120)
        yield from time_zone_defects("/time_zone", self.time_zone)
        yield from line_defects("/address", self.address, 300)
        yield from position_defects(self.lat, self.lon)
        yield from lines_defects("/access_note", self.access_note, 2000)
        yield from line_defects("/external_id", self.external_id, 120)


def property_details(place: Property) -> PropertyDetails:
    """What is known of a property now; a change starts from it."""
    return PropertyDetails(
        name=place.name,
        time_zone=place.time_zone,
        address=place.address,
        lat=place.lat,
        lon=place.lon,
        access_note=place.access_note,
        external_id=place.external_id,
    )


def property_create(*, details: PropertyDetails, by: Actor) -> Property:
    """A new property. Raises Invalid, or Conflict where the external id is taken."""
    refuse_defects("property", details.defects())
    place = Property(created_at=now(), **asdict(details))
    try:
        with transaction.atomic():
            place.save()
            change_record(
                by=by,
                action="property.created",
                thing=("property", place.public_id),
                after=asdict(details),
            )
    except IntegrityError:
        _refuse_taken(details, place)
        raise
    return place


def property_update(
    *, place: Property, version: int, details: PropertyDetails, by: Actor
) -> Property:
    """The property with these details; where it has them already, nothing is written.

    Raises Invalid, Stale where it is past ``version``, Conflict where the external id is taken.
    """
    refuse_defects("property", details.defects())
    try:
        with transaction.atomic():
            held = locked_one(place)
            before = property_details(held)
            if details == before:
                refuse_past("property", held.version, version)
                return held
            changed = version_update(place, version, **asdict(details))
            change_record(
                by=by,
                action="property.updated",
                thing=("property", place.public_id),
                before=asdict(before),
                after=asdict(details),
            )
    except IntegrityError:
        _refuse_taken(details, place)
        raise
    return changed


@transaction.atomic
def property_end(*, place: Property, version: int, by: Actor) -> Property:
    """The property is no longer looked after; all that was known of it stays.

    Raises Stale where it is past ``version``, Conflict where it has controllers.
    """
    held = locked_one(place)
    if held.controllers.filter(ended_at__isnull=True).exists():
        raise Conflict("The property has controllers: end these first.")
    if held.ended_at is not None:
        raise Conflict("The property has ended already.")
    at = now()
    ended = version_update(place, version, ended_at=at)
    change_record(
        by=by,
        action="property.ended",
        thing=("property", place.public_id),
        after={"ended_at": at.isoformat()},
    )
    return ended


def _refuse_taken(details: PropertyDetails, place: Property) -> None:
    others = Property.objects.exclude(public_id=place.public_id)
    taken = others.filter(external_id=details.external_id).exclude(external_id="").first()
    if taken is not None:
        raise Conflict(
            f"The external id {details.external_id!r} is that of {taken.public_id}.",
            extra={"property": taken.public_id},
        )
