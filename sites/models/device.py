"""The rows of a map: nodes, the segments between them, the devices at them.

Columns follow the survey form. What a survey leaves out is null, or empty where it is text.
"""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from core.tenancy.owned import PublicIdField
from sites.models.map_row import MapRow, map_row_constraints


class Node(MapRow):
    """A place on the path where conductors can be reached; metres from the path's anchor."""

    public_id = PublicIdField("node")
    kind = models.CharField(max_length=20)
    x_m = models.FloatField()
    y_m = models.FloatField()
    access = models.CharField(max_length=10)
    splice_stated = models.BooleanField(default=False)
    splice_connector = models.CharField(max_length=200, blank=True)
    # A year, a month or a day, as well as it is known: no column type for dates holds that.
    splice_made = models.CharField(max_length=10, blank=True)
    splice_by_crew = models.CharField(max_length=200, blank=True)

    class Meta(MapRow.Meta):
        constraints = map_row_constraints("node")


class Segment(MapRow):
    """The cable between two nodes, which are named by their codes."""

    public_id = PublicIdField("seg")
    from_code = models.CharField(max_length=64)
    to_code = models.CharField(max_length=64)
    length_m = models.FloatField()
    conductor = models.CharField(max_length=10)
    # "closed", or the end whose conductors are apart: "from", "to"; empty where not stated.
    joint_open = models.CharField(max_length=10, blank=True)
    reactance_ohm_per_km = models.FloatField(null=True, blank=True)
    length_known = models.CharField(max_length=10, blank=True)
    laid_year = models.PositiveSmallIntegerField(null=True, blank=True)
    output = models.CharField(max_length=64, blank=True)

    class Meta(MapRow.Meta):
        constraints = (
            *map_row_constraints("segment"),
            models.CheckConstraint(name="segment_has_length", condition=Q(length_m__gt=0)),
        )


class Device(MapRow):
    """What hangs across the conductors at a node, which is named by its code."""

    public_id = PublicIdField("dev")
    node_code = models.CharField(max_length=64)
    kind = models.CharField(max_length=10)
    draw_ma = models.FloatField()
    model = models.CharField(max_length=10, blank=True)
    knee_v = models.FloatField(null=True, blank=True)
    off_below_v = models.FloatField(null=True, blank=True)
    power_factor = models.FloatField(null=True, blank=True)
    outputs = models.PositiveSmallIntegerField(null=True, blank=True)
    active_ma = models.FloatField(null=True, blank=True)
    model_name = models.CharField(max_length=200, blank=True)
    installed = models.CharField(max_length=10, blank=True)
    stations = models.JSONField(null=True, blank=True)

    class Meta(MapRow.Meta):
        constraints = map_row_constraints("device")
