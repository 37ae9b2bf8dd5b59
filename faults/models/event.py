"""What a controller or a person reported."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q

from core.tenancy.owned import ContractorOwned, PublicIdField, unique_in_contractor
from sites.models.controller import Controller
from sites.models.property import Property
from sites.models.wire_path import WirePath


class EventKind(models.TextChoices):
    """What can be reported."""

    OVERCURRENT = "overcurrent", "Overcurrent message"
    CLEARED = "cleared", "Message cleared"
    ENERGISED = "energised", "Path energised"
    OFF = "off", "Path switched off"
    RAIN = "rain", "Rain"
    LIGHTNING = "lightning", "Lightning nearby"
    DIGGING = "digging", "Digging nearby"
    INRUSH = "inrush", "Inrush"


class FaultEvent(ContractorOwned):
    """One thing that was reported of a property, one of its controllers or one of its paths.

    ``at`` is when it happened as told, ``received_at`` when it came in. ``external_id`` is its
    name in the system that told it; ``body_hash`` a digest of what was told under that name.
    """

    append_only: ClassVar[bool] = True

    public_id = PublicIdField("evt")
    property = models.ForeignKey(
        Property, on_delete=models.PROTECT, related_name="events", db_index=False
    )
    controller = models.ForeignKey(
        Controller,
        on_delete=models.PROTECT,
        related_name="events",
        null=True,
        blank=True,
        db_index=False,
    )
    path = models.ForeignKey(
        WirePath,
        on_delete=models.PROTECT,
        related_name="events",
        null=True,
        blank=True,
        db_index=False,
    )
    kind = models.CharField(max_length=20, choices=EventKind.choices)
    at = models.DateTimeField()
    received_at = models.DateTimeField()
    source_kind = models.CharField(max_length=10)
    source_id = models.CharField(max_length=80)
    source_name = models.CharField(max_length=120)
    note = models.CharField(max_length=500, blank=True)
    current_ma = models.FloatField(null=True, blank=True)
    rain_mm = models.FloatField(null=True, blank=True)
    external_id = models.CharField(max_length=120, blank=True)
    body_hash = models.CharField(max_length=64)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="event_public_id"),
            unique_in_contractor(
                "external_id", name="event_external_id", condition=~Q(external_id="")
            ),
        )
        indexes = (
            models.Index(fields=["contractor", "property", "at"], name="event_of_property"),
            models.Index(fields=["contractor", "controller", "at"], name="event_of_controller"),
            models.Index(fields=["contractor", "path", "at"], name="event_of_path"),
        )

    def __str__(self) -> str:
        return f"{self.kind} {self.public_id}"
