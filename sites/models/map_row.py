"""What the rows of a path's map have in common, and which came from which."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import F, Q

from core.tenancy.owned import ContractorOwned, PublicIdField, unique_in_contractor
from sites.models.wire_path import WirePath


class RowKind(models.TextChoices):
    """The kinds of rows of a map."""

    NODE = "node", "Node"
    SEGMENT = "segment", "Segment"
    DEVICE = "device", "Device"


class MapRow(ContractorOwned):
    """A row of a path's map, valid in the revisions ``from_revision`` up to ``to_revision``.

    A row that changes ends and a new one takes its code and its public id; a row is never
    deleted. ``to_revision`` is the first revision without the row, null while it is live.
    ``place`` orders the rows of a kind as the survey lists them; only the order counts.
    ``known_at``: when this was learned. ``ground_changed``: true where the ground itself was
    altered then, false where the map came to know better what was so before.
    ``gone_from_ground``: true where the thing was taken out at ``to_revision``, false where it
    goes on in a new row or was never there.
    """

    # Each kind of rows has a prefix of its own.
    public_id = PublicIdField("row")
    path = models.ForeignKey(WirePath, on_delete=models.PROTECT, related_name="+", db_index=False)
    code = models.CharField(max_length=64)
    place = models.FloatField()
    from_revision = models.PositiveIntegerField()
    to_revision = models.PositiveIntegerField(null=True, blank=True)
    known_at = models.DateTimeField()
    ground_changed = models.BooleanField(default=False)
    gone_from_ground = models.BooleanField(default=False)

    class Meta(ContractorOwned.Meta):
        abstract = True

    def __str__(self) -> str:
        return self.code


def map_row_constraints(kind: str) -> tuple[models.BaseConstraint, ...]:
    """The constraints of one kind of map rows; the database wants their names unlike."""
    return (
        unique_in_contractor("public_id", "from_revision", name=f"{kind}_public_id"),
        unique_in_contractor("path", "code", "from_revision", name=f"{kind}_code_in_revision"),
        unique_in_contractor(
            "path", "code", name=f"{kind}_live_code", condition=Q(to_revision__isnull=True)
        ),
        models.CheckConstraint(
            name=f"{kind}_ends_after_start",
            condition=Q(to_revision__isnull=True) | Q(to_revision__gt=F("from_revision")),
        ),
    )


class RowLineage(ContractorOwned):
    """That in ``revision`` a row came from another: a cable cut in two, two joined to one."""

    append_only: ClassVar[bool] = True

    path = models.ForeignKey(
        WirePath, on_delete=models.PROTECT, related_name="lineage", db_index=False
    )
    revision = models.PositiveIntegerField()
    kind = models.CharField(max_length=10, choices=RowKind.choices)
    old_code = models.CharField(max_length=64)
    new_code = models.CharField(max_length=64)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor(
                "path", "revision", "kind", "old_code", "new_code", name="row_lineage_once"
            ),
        )

    def __str__(self) -> str:
        return f"{self.old_code} to {self.new_code}"
