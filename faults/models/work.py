"""How a contractor works, what people report of a call, and what is decided on the way."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q

from core.tenancy.owned import ContractorOwned, PublicIdField, Versioned, unique_in_contractor
from faults.models.call import CallKind, FaultCall


class WorkRules(ContractorOwned, Versioned):
    """A contractor's own figures; one row, and none while the defaults hold.

    ``fold_hours``: reports of the same place and kind within it are one call. Money is in
    ``currency``, an ISO 4217 code; a rate that is null is not known and nothing is reckoned
    from it. Soak checks are due ``soak_from_days`` to ``soak_by_days`` after a repair.
    """

    fold_hours = models.PositiveIntegerField(default=14 * 24)
    soak_from_days = models.PositiveSmallIntegerField(default=7)
    soak_by_days = models.PositiveSmallIntegerField(default=14)
    currency = models.CharField(max_length=3, blank=True)
    hour_money = models.DecimalField(max_digits=10, decimal_places=2, null=True, blank=True)
    renew_metre_money = models.DecimalField(max_digits=10, decimal_places=2, null=True, blank=True)
    renew_metre_min = models.FloatField(default=3.0)
    repair_min = models.FloatField(default=60.0)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor(name="work_rules_once"),
            models.CheckConstraint(
                name="work_rules_soak_order",
                condition=Q(soak_by_days__gte=models.F("soak_from_days")),
            ),
        )

    def __str__(self) -> str:
        return "work rules"


class CallReport(ContractorOwned):
    """What somebody reported by hand of a call: the first report, and each that was folded in."""

    append_only: ClassVar[bool] = True

    call = models.ForeignKey(
        FaultCall, on_delete=models.PROTECT, related_name="report_rows", db_index=False
    )
    kind = models.CharField(max_length=20, choices=CallKind.choices)
    said = models.JSONField()
    at = models.DateTimeField()
    by_id = models.CharField(max_length=80)
    by_name = models.CharField(max_length=120)

    class Meta(ContractorOwned.Meta):
        indexes = (models.Index(fields=["contractor", "call", "id"], name="report_of_call"),)

    def __str__(self) -> str:
        return f"{self.kind} by {self.by_name}"


class PartialRestore(ContractorOwned):
    """That a path waters again but for the part left off. ``left_off`` are places in the words of
    the forms, ``stations_lost`` station numbers, ``unnumbered_lost`` how many outputs beside them
    that have none on the map. ``least_device_v`` was read at a device that is on, or is_predicted.
    ``all_on``: nothing is left off any more."""

    append_only: ClassVar[bool] = True

    public_id = PublicIdField("pre")
    call = models.ForeignKey(
        FaultCall, on_delete=models.PROTECT, related_name="partial_restores", db_index=False
    )
    all_on = models.BooleanField(default=False)
    left_off = models.JSONField(default=list)
    stations_lost = models.JSONField(default=list)
    unnumbered_lost = models.PositiveIntegerField(default=0)
    least_device_v = models.FloatField(null=True, blank=True)
    is_predicted = models.BooleanField(default=False)
    note = models.CharField(max_length=500, blank=True)
    at = models.DateTimeField()
    by_id = models.CharField(max_length=80)
    by_name = models.CharField(max_length=120)

    class Meta(ContractorOwned.Meta):
        constraints = (unique_in_contractor("public_id", name="partial_restore_public_id"),)
        indexes = (models.Index(fields=["contractor", "call", "id"], name="restore_of_call"),)

    def __str__(self) -> str:
        return self.public_id


class ApprovalLimit(ContractorOwned):
    """Up to how many minutes or how much money a call may cost; the newest row holds."""

    append_only: ClassVar[bool] = True

    call = models.ForeignKey(
        FaultCall, on_delete=models.PROTECT, related_name="limits", db_index=False
    )
    minutes = models.FloatField(null=True, blank=True)
    money = models.DecimalField(max_digits=12, decimal_places=2, null=True, blank=True)
    why = models.CharField(max_length=500, blank=True)
    at = models.DateTimeField()
    by_id = models.CharField(max_length=80)
    by_name = models.CharField(max_length=120)

    class Meta(ContractorOwned.Meta):
        constraints = (
            models.CheckConstraint(
                name="limit_has_one",
                condition=Q(minutes__gt=0, money__isnull=True)
                | Q(minutes__isnull=True, money__gt=0),
            ),
        )
        indexes = (models.Index(fields=["contractor", "call", "id"], name="limit_of_call"),)

    def __str__(self) -> str:
        return f"{self.minutes} min" if self.minutes is not None else f"{self.money}"


class StopChoice(models.TextChoices):
    """What to do when the limit comes near."""

    REPAIR = "repair", "Repair what is suspected"
    GO_ON = "go-on", "Go on tracing"
    RENEW = "renew", "Lay the stretch anew"


class StopAnswer(ContractorOwned):
    """What was answered when the limit came near; ``question`` holds what was shown then."""

    append_only: ClassVar[bool] = True

    call = models.ForeignKey(
        FaultCall, on_delete=models.PROTECT, related_name="stop_answers", db_index=False
    )
    limit = models.ForeignKey(
        ApprovalLimit, on_delete=models.PROTECT, related_name="answers", db_index=False
    )
    question = models.JSONField()
    choice = models.CharField(max_length=10, choices=StopChoice.choices)
    why = models.CharField(max_length=500, blank=True)
    at = models.DateTimeField()
    by_id = models.CharField(max_length=80)
    by_name = models.CharField(max_length=120)

    class Meta(ContractorOwned.Meta):
        indexes = (models.Index(fields=["contractor", "call", "id"], name="stop_answer_of_call"),)

    def __str__(self) -> str:
        return self.choice
