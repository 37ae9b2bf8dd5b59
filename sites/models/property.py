"""A place that is looked after."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from core.tenancy.owned import ContractorOwned, PublicIdField, Versioned, unique_in_contractor


class Property(ContractorOwned, Versioned):
    """A place with controllers, looked after by a contractor.

    ``time_zone`` is a name of the IANA time zone database; it holds for all that is at the place.
    ``lat`` and ``lon`` are WGS 84 degrees, both known or both not.
    """

    public_id = PublicIdField("prop")
    name = models.CharField(max_length=120)
    address = models.CharField(max_length=300, blank=True)
    time_zone = models.CharField(max_length=64)
    lat = models.FloatField(null=True, blank=True)
    lon = models.FloatField(null=True, blank=True)
    access_note = models.TextField(max_length=2000, blank=True)
    external_id = models.CharField(max_length=120, blank=True)
    created_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="property_public_id"),
            unique_in_contractor(
                "external_id", name="property_external_id", condition=~Q(external_id="")
            ),
            models.CheckConstraint(
                name="property_lat_and_lon",
                condition=Q(lat__isnull=True, lon__isnull=True)
                # An unknown comparison is no refusal to a database, so both are asked for.
                | Q(
                    lat__isnull=False,
                    lon__isnull=False,
                    lat__range=(-90, 90),
                    lon__range=(-180, 180),
                ),
            ),
        )
        indexes = (models.Index(fields=["contractor", "name", "id"], name="property_by_name"),)

    def __str__(self) -> str:
        return self.name
