"""Wire paths and the revisions of their maps."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q

from core.tenancy.owned import ContractorOwned, PublicIdField, Versioned, unique_in_contractor
from sites.models.controller import Controller


class PathHeader(models.Model):
    """What a survey says of a path as a whole.

    A value that the survey leaves out is null here (text: empty), so that it is left out again
    when the survey is written. Two members may be there and say nothing: an earth reference of
    null (``earth_reference_stated``) and limits without a limit (``limits_stated``).
    """

    label = models.CharField(max_length=200)
    topology = models.CharField(max_length=10, blank=True)
    frequency_hz = models.FloatField()
    source_v = models.FloatField()
    source_ohm_r = models.FloatField()
    source_ohm_x = models.FloatField()
    trip_ma = models.FloatField()
    trip_spread = models.FloatField(null=True, blank=True)
    conductor_temp_c = models.FloatField(null=True, blank=True)
    earth_reference_stated = models.BooleanField(default=False)
    earth_reference_ohm = models.FloatField(null=True, blank=True)
    capacitance_nf_per_km = models.FloatField(null=True, blank=True)
    anchor_lat = models.FloatField(null=True, blank=True)
    anchor_lon = models.FloatField(null=True, blank=True)
    anchor_bearing_deg = models.FloatField(null=True, blank=True)
    limits_stated = models.BooleanField(default=False)
    min_device_v = models.FloatField(null=True, blank=True)
    max_current_ma = models.FloatField(null=True, blank=True)

    class Meta:
        abstract = True


class WirePath(ContractorOwned, Versioned, PathHeader):
    """The two-wire network on one controller, as its current ``revision`` has it."""

    public_id = PublicIdField("path")
    controller = models.ForeignKey(
        Controller, on_delete=models.PROTECT, related_name="paths", db_index=False
    )
    revision = models.PositiveIntegerField(default=1)
    created_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="path_public_id"),
            unique_in_contractor(
                "controller",
                "label",
                name="path_label_at_controller",
                condition=Q(ended_at__isnull=True),
            ),
        )
        indexes = (
            models.Index(fields=["contractor", "controller", "id"], name="path_of_controller"),
        )

    def __str__(self) -> str:
        return self.label


class PathRevision(ContractorOwned, PathHeader):
    """One state of a path's map: its header, and how many rows were valid then.

    The rows are those of ``Node``, ``Segment`` and ``Device`` that are valid in ``number``.
    """

    append_only: ClassVar[bool] = True

    path = models.ForeignKey(
        WirePath, on_delete=models.PROTECT, related_name="revisions", db_index=False
    )
    number = models.PositiveIntegerField()
    at = models.DateTimeField()
    by_name = models.CharField(max_length=120)
    note = models.CharField(max_length=200, blank=True)
    node_count = models.PositiveIntegerField()
    segment_count = models.PositiveIntegerField()
    device_count = models.PositiveIntegerField()

    class Meta(ContractorOwned.Meta):
        constraints = (unique_in_contractor("path", "number", name="path_revision_number"),)

    def __str__(self) -> str:
        return f"revision {self.number}"
