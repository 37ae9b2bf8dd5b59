"""A trace, what was seen in it, and what it found."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q

from core.tenancy.owned import ContractorOwned, PublicIdField, Versioned, unique_in_contractor
from faults.models.call import FaultCall
from sites.models.wire_path import WirePath


class TraceOutcome(models.TextChoices):
    """How a trace ended."""

    PROVED = "proved", "Proved"
    CONTROLLER = "controller", "The controller"
    NOT_PRESENT = "not-present", "Not present"
    UNPROVED = "unproved", "Unproved"


class Trace(ContractorOwned, Versioned):
    """One hunt for the fault of a call, on the map of its path as ``revision`` has it.

    ``known`` is what was known before starting, in the words of the trace form (coil, meter,
    costs, priors, sound record, and what the history of failures said of its places). The state
    is a fold over the observations; what lists show of it is kept beside: ``standing`` holds
    stage, first suspects, minutes left and *as left*.
    """

    public_id = PublicIdField("trc")
    call = models.ForeignKey(
        FaultCall, on_delete=models.PROTECT, related_name="traces", db_index=False
    )
    path = models.ForeignKey(
        WirePath, on_delete=models.PROTECT, related_name="traces", db_index=False
    )
    revision = models.PositiveIntegerField()
    known = models.JSONField(default=dict)
    started_at = models.DateTimeField()
    started_by_name = models.CharField(max_length=120)
    started_by_person = models.ForeignKey(
        "core.Person",
        on_delete=models.PROTECT,
        related_name="+",
        null=True,
        blank=True,
        db_index=False,
    )
    ended_at = models.DateTimeField(null=True, blank=True)
    # Why people ended it before it was done; empty where the engine did.
    hand_reason = models.CharField(max_length=500, blank=True)
    outcome = models.CharField(max_length=20, choices=TraceOutcome.choices, blank=True)
    reason = models.CharField(max_length=500, blank=True)
    standing = models.JSONField(default=dict)
    observation_count = models.PositiveIntegerField(default=0, editable=False)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="trace_public_id"),
            unique_in_contractor(
                "call", name="trace_open_of_call", condition=Q(ended_at__isnull=True)
            ),
            models.CheckConstraint(
                name="trace_ended_says_how",
                condition=(Q(ended_at__isnull=True) & Q(outcome=""))
                | (Q(ended_at__isnull=False) & ~Q(outcome="")),
            ),
        )
        indexes = (
            models.Index(fields=["contractor", "call", "id"], name="trace_of_call"),
            models.Index(fields=["contractor", "path", "id"], name="trace_of_path"),
        )

    def __str__(self) -> str:
        return self.public_id


class Observation(ContractorOwned):
    """One thing measured, done or withdrawn in a trace, as the client told it.

    ``client_seq`` counts from 1 in the order in which it was done; the fold goes by it, then by
    the order of arrival. ``voids`` names the observation that this one withdraws. ``late``: the
    trace had ended when it arrived. ``answer`` is what was answered, for whoever sends it again.
    """

    append_only: ClassVar[bool] = True

    trace = models.ForeignKey(
        Trace, on_delete=models.PROTECT, related_name="observations", db_index=False
    )
    client_id = models.CharField(max_length=80)
    body_hash = models.CharField(max_length=64)
    body = models.JSONField()
    voids = models.CharField(max_length=80, blank=True)
    client_seq = models.PositiveIntegerField()
    client_at = models.DateTimeField()
    received_at = models.DateTimeField()
    late = models.BooleanField(default=False)
    by_kind = models.CharField(max_length=10)
    by_id = models.CharField(max_length=80)
    by_name = models.CharField(max_length=120)
    answer = models.JSONField()

    class Meta(ContractorOwned.Meta):
        constraints = (unique_in_contractor("trace", "client_id", name="observation_client_id"),)
        indexes = (
            models.Index(
                fields=["contractor", "trace", "client_seq", "id"], name="observation_order"
            ),
        )

    def __str__(self) -> str:
        return f"{self.client_seq} {self.client_id}"


class Finding(ContractorOwned):
    """What a trace found at its end. ``at`` is a place in the words of the forms.

    ``basis`` holds the steps it rests on. A finding that what came in later changes is kept and
    superseded, with when and why.
    """

    public_id = PublicIdField("find")
    trace = models.ForeignKey(
        Trace, on_delete=models.PROTECT, related_name="findings", db_index=False
    )
    at = models.JSONField()
    kind = models.CharField(max_length=20)
    chance = models.FloatField()
    proved = models.BooleanField()
    basis = models.JSONField()
    made_at = models.DateTimeField()
    superseded_at = models.DateTimeField(null=True, blank=True)
    superseded_why = models.CharField(max_length=500, blank=True)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="finding_public_id"),
            models.CheckConstraint(
                name="finding_chance", condition=Q(chance__gte=0.0, chance__lte=1.0)
            ),
        )
        indexes = (models.Index(fields=["contractor", "trace", "id"], name="finding_of_trace"),)

    def __str__(self) -> str:
        return f"{self.kind} {self.at}"
