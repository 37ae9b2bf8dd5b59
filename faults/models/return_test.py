"""Readings that show that a path is sound: after a repair, at start-up, at an inspection."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q

from core.tenancy.owned import ContractorOwned, PublicIdField, unique_in_contractor
from faults.models.call import CallMove, FaultCall
from faults.models.repair import Repair
from sites.models.wire_path import WirePath


class ReturnTest(ContractorOwned):
    """Readings after a repair. ``failures`` says in words what speaks against the path; none: it
    passed. ``quiet_min`` is for how long no message was shown. ``revision`` is the map's.

    ``warnings`` says which readings are doubted: above what the source can give.
    ``least_terminal_v``: the least that the controller's terminals may read, by
    ``least_terminal_v_basis``; null in tests that were not held against it.
    What it rests on is kept: the newest repair and the newest move of the call at that time.
    """

    append_only: ClassVar[bool] = True

    public_id = PublicIdField("ret")
    call = models.ForeignKey(
        FaultCall, on_delete=models.PROTECT, related_name="return_tests", db_index=False
    )
    path = models.ForeignKey(
        WirePath, on_delete=models.PROTECT, related_name="return_tests", db_index=False
    )
    revision = models.PositiveIntegerField()
    repair = models.ForeignKey(
        Repair,
        on_delete=models.PROTECT,
        related_name="return_tests",
        null=True,
        blank=True,
        db_index=False,
    )
    after_move = models.ForeignKey(
        CallMove, on_delete=models.PROTECT, related_name="+", db_index=False
    )
    coil_out = models.BooleanField()
    quiet_min = models.FloatField()
    message_shown = models.BooleanField()
    terminal_v = models.FloatField(null=True, blank=True)
    least_terminal_v = models.FloatField(null=True, blank=True)
    least_terminal_v_basis = models.CharField(max_length=20, blank=True)
    wet = models.BooleanField(null=True, blank=True)
    meter = models.JSONField(default=dict)
    note = models.CharField(max_length=500, blank=True)
    passed = models.BooleanField()
    failures = models.JSONField(default=list)
    warnings = models.JSONField(default=list)
    at = models.DateTimeField()
    by_kind = models.CharField(max_length=10)
    by_id = models.CharField(max_length=80)
    by_name = models.CharField(max_length=120)

    class Meta(ContractorOwned.Meta):
        constraints = (unique_in_contractor("public_id", name="return_test_public_id"),)
        indexes = (models.Index(fields=["contractor", "call", "id"], name="return_test_of_call"),)

    def __str__(self) -> str:
        return self.public_id


class ReturnTestLeg(ContractorOwned):
    """What one leg read in a return test, and what it was held against.

    ``basis``: the newest sound record of the map as it is, or the circuit's prediction.
    ``least_far_v``: the least that its far end may read, by one of these or the path's limit; null
    where nothing is known of it, and in tests that were not held against it. ``far_ohm`` is kept
    and not judged. ``within``: nothing speaks against the leg.
    """

    append_only: ClassVar[bool] = True

    test = models.ForeignKey(
        ReturnTest, on_delete=models.PROTECT, related_name="legs", db_index=False
    )
    leg = models.CharField(max_length=64)
    current_ma = models.FloatField()
    far_v = models.FloatField(null=True, blank=True)
    far_ohm = models.FloatField(null=True, blank=True)
    insulation_mohm = models.FloatField(null=True, blank=True)
    expected_ma = models.FloatField()
    sigma_ma = models.FloatField()
    basis = models.CharField(
        max_length=20,
        choices=[("sound-record", "Sound record"), ("prediction", "Prediction")],
    )
    least_far_v = models.FloatField(null=True, blank=True)
    least_far_v_basis = models.CharField(max_length=20, blank=True)
    within = models.BooleanField()

    class Meta(ContractorOwned.Meta):
        constraints = (unique_in_contractor("test", "leg", name="return_test_leg"),)

    def __str__(self) -> str:
        return self.leg


class SoundSource(models.TextChoices):
    """When a sound record was taken."""

    RETURN_TEST = "return-test", "Return test"
    START_UP = "start-up", "Start-up"
    INSPECTION = "inspection", "Inspection"


class SoundRecord(ContractorOwned):
    """What a leg, a segment at the controller, read when it was sound."""

    append_only: ClassVar[bool] = True

    public_id = PublicIdField("snd")
    path = models.ForeignKey(
        WirePath, on_delete=models.PROTECT, related_name="sound_records", db_index=False
    )
    revision = models.PositiveIntegerField()
    leg = models.CharField(max_length=64)
    source = models.CharField(max_length=20, choices=SoundSource.choices)
    test = models.ForeignKey(
        ReturnTest,
        on_delete=models.PROTECT,
        related_name="sound_records",
        null=True,
        blank=True,
        db_index=False,
    )
    current_ma = models.FloatField(null=True, blank=True)
    coil = models.BooleanField(default=False)
    far_v = models.FloatField(null=True, blank=True)
    insulation_mohm = models.FloatField(null=True, blank=True)
    wet = models.BooleanField(null=True, blank=True)
    meter = models.CharField(max_length=120, blank=True)
    at = models.DateTimeField()
    by_name = models.CharField(max_length=120)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="sound_public_id"),
            models.CheckConstraint(
                name="sound_says_something",
                condition=Q(current_ma__isnull=False)
                | Q(far_v__isnull=False)
                | Q(insulation_mohm__isnull=False),
            ),
        )
        indexes = (models.Index(fields=["contractor", "path", "leg", "id"], name="sound_of_leg"),)

    def __str__(self) -> str:
        return f"{self.leg} {self.at:%Y-%m-%d}"
