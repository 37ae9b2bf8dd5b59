"""What is not as built on a path right now."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q

from core.tenancy.owned import ContractorOwned, PublicIdField, unique_in_contractor
from faults.models.call import FaultCall
from faults.models.trace import Trace
from sites.models.wire_path import WirePath


class LeftKind(models.TextChoices):
    """What can be left on a path."""

    POWER_OFF = "power-off", "Power off"
    POWER_ON = "power-on", "Power on while something is open"
    COIL_IN = "coil-in", "Series coil in"
    LEG_OFF = "leg-off", "Leg off"
    JOINT_OPEN = "joint-open", "Joint open"
    JOINT_CLOSED = "joint-closed", "Joint closed that the map has open"
    ISOLATED = "isolated", "Taken out of the path"
    LID_UP = "lid-up", "Lid up or hole open"
    TAG = "tag", "Tag on a wire"
    OTHER = "other", "Other"


class LeftAnswerKind(models.TextChoices):
    """What is said of a thing left when people go."""

    RESTORED = "restored", "Restored"
    KEPT = "kept", "Kept"


class AsLeftItem(ContractorOwned):
    """One thing that is not as built on a path, live until it is restored.

    ``key`` names the thing on its path; one live row a key. ``where`` is a place in the words of
    the forms. ``kept_why`` is why it stays, once somebody has said so.
    """

    public_id = PublicIdField("left")
    path = models.ForeignKey(
        WirePath, on_delete=models.PROTECT, related_name="left_items", db_index=False
    )
    call = models.ForeignKey(
        FaultCall, on_delete=models.PROTECT, related_name="left_items", db_index=False
    )
    # Null where people told it and no trace.
    trace = models.ForeignKey(
        Trace,
        on_delete=models.PROTECT,
        related_name="left_items",
        null=True,
        blank=True,
        db_index=False,
    )
    kind = models.CharField(max_length=20, choices=LeftKind.choices)
    key = models.CharField(max_length=200)
    where = models.JSONField(default=dict)
    note = models.CharField(max_length=200, blank=True)
    since = models.DateTimeField()
    by_name = models.CharField(max_length=120)
    kept_why = models.CharField(max_length=500, blank=True)
    restored_at = models.DateTimeField(null=True, blank=True)
    restored_by_name = models.CharField(max_length=120, blank=True)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="left_public_id"),
            unique_in_contractor(
                "path", "key", name="left_live_key", condition=Q(restored_at__isnull=True)
            ),
        )
        indexes = (
            models.Index(fields=["contractor", "path", "id"], name="left_on_path"),
            models.Index(fields=["contractor", "call", "id"], name="left_by_call"),
        )

    def __str__(self) -> str:
        return self.key


class AsLeftAnswer(ContractorOwned):
    """What somebody said of a thing left when they closed or left a call."""

    append_only: ClassVar[bool] = True

    item = models.ForeignKey(
        AsLeftItem, on_delete=models.PROTECT, related_name="answers", db_index=False
    )
    call = models.ForeignKey(
        FaultCall, on_delete=models.PROTECT, related_name="left_answers", db_index=False
    )
    answer = models.CharField(max_length=10, choices=LeftAnswerKind.choices)
    why = models.CharField(max_length=500, blank=True)
    at = models.DateTimeField()
    by_id = models.CharField(max_length=80)
    by_name = models.CharField(max_length=120)

    class Meta(ContractorOwned.Meta):
        constraints = (
            models.CheckConstraint(
                name="left_kept_says_why", condition=Q(answer="restored") | ~Q(why="")
            ),
        )
        indexes = (models.Index(fields=["contractor", "call", "id"], name="left_answer_of_call"),)

    def __str__(self) -> str:
        return self.answer
