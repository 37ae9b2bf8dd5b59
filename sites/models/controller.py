"""What drives wire paths, and when it waters."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from core.tenancy.owned import ContractorOwned, PublicIdField, Versioned, unique_in_contractor
from sites.models.property import Property


class Controller(ContractorOwned, Versioned):
    """A controller on a property; its time zone is the property's."""

    public_id = PublicIdField("ctl")
    property = models.ForeignKey(
        Property, on_delete=models.PROTECT, related_name="controllers", db_index=False
    )
    name = models.CharField(max_length=120)
    model_note = models.CharField(max_length=200, blank=True)
    created_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="controller_public_id"),
            unique_in_contractor(
                "property",
                "name",
                name="controller_name_at_property",
                condition=Q(ended_at__isnull=True),
            ),
        )
        indexes = (
            models.Index(fields=["contractor", "property", "id"], name="controller_of_property"),
        )

    def __str__(self) -> str:
        return self.name


class Season(ContractorOwned):
    """Days, both included, on which a controller waters. Seasons of a controller never overlap."""

    public_id = PublicIdField("sea")
    controller = models.ForeignKey(
        Controller, on_delete=models.PROTECT, related_name="seasons", db_index=False
    )
    starts_on = models.DateField()
    ends_on = models.DateField()
    note = models.CharField(max_length=200, blank=True)
    created_at = models.DateTimeField()
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="season_public_id"),
            unique_in_contractor(
                "controller",
                "starts_on",
                name="season_start_of_controller",
                condition=Q(withdrawn_at__isnull=True),
            ),
            models.CheckConstraint(
                name="season_ends_after_start", condition=Q(ends_on__gte=F("starts_on"))
            ),
        )

    def __str__(self) -> str:
        return f"{self.starts_on} to {self.ends_on}"
