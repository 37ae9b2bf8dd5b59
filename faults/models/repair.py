"""What was put right, what was taken out, and whether it holds."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q

from core.tenancy.owned import ContractorOwned, PublicIdField, Versioned, unique_in_contractor
from faults.models.call import FaultCall
from faults.models.event import FaultEvent
from faults.models.trace import Finding


class RepairKind(models.TextChoices):
    """What was done."""

    SPLICE = "splice", "Splice made anew"
    DEVICE = "device", "Device changed"
    CABLE = "cable", "Cable laid anew"
    CONTROLLER = "controller", "Work at the controller"
    OTHER = "other", "Other"


class Repair(ContractorOwned):
    """One repair for a call. ``at_place`` is a place in the words of the forms, or empty;
    ``parts`` rows of name and count. It took ``minutes`` and ended ``at``."""

    append_only: ClassVar[bool] = True

    public_id = PublicIdField("rep")
    call = models.ForeignKey(
        FaultCall, on_delete=models.PROTECT, related_name="repairs", db_index=False
    )
    finding = models.ForeignKey(
        Finding,
        on_delete=models.PROTECT,
        related_name="repairs",
        null=True,
        blank=True,
        db_index=False,
    )
    kind = models.CharField(max_length=20, choices=RepairKind.choices)
    at_place = models.JSONField(default=dict)
    parts = models.JSONField(default=list)
    splice_kind = models.CharField(max_length=120, blank=True)
    splices_made = models.PositiveSmallIntegerField(default=0)
    minutes = models.FloatField()
    money = models.DecimalField(max_digits=12, decimal_places=2, null=True, blank=True)
    note = models.CharField(max_length=500, blank=True)
    at = models.DateTimeField()
    by_kind = models.CharField(max_length=10)
    by_id = models.CharField(max_length=80)
    by_name = models.CharField(max_length=120)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="repair_public_id"),
            models.CheckConstraint(name="repair_takes_time", condition=Q(minutes__gte=0)),
        )
        indexes = (models.Index(fields=["contractor", "call", "id"], name="repair_of_call"),)

    def __str__(self) -> str:
        return self.public_id


class RepairFailure(ContractorOwned):
    """That a repair did not hold: in which call that came to light, and by what."""

    append_only: ClassVar[bool] = True

    repair = models.ForeignKey(
        Repair, on_delete=models.PROTECT, related_name="failures", db_index=False
    )
    call = models.ForeignKey(
        FaultCall, on_delete=models.PROTECT, related_name="failed_repairs", db_index=False
    )
    event = models.ForeignKey(
        FaultEvent,
        on_delete=models.PROTECT,
        related_name="+",
        null=True,
        blank=True,
        db_index=False,
    )
    why = models.CharField(max_length=500)
    at = models.DateTimeField()
    by_name = models.CharField(max_length=120)

    class Meta(ContractorOwned.Meta):
        indexes = (
            models.Index(fields=["contractor", "repair", "id"], name="failure_of_repair"),
            models.Index(fields=["contractor", "call", "id"], name="failure_in_call"),
        )

    def __str__(self) -> str:
        return f"{self.repair_id} did not hold"


class Cause(models.TextChoices):
    """Why a part failed, as it looks when opened."""

    WATER = "water", "Water in it"
    SURGE = "surge", "Surge or lightning"
    CUT = "cut", "Cut or dug into"
    ANIMAL = "animal", "Gnawed"
    CORROSION = "corrosion", "Corrosion"
    WORKMANSHIP = "workmanship", "How it was made"
    WORN = "worn", "Worn out"
    OTHER = "other", "Other"
    UNKNOWN = "unknown", "Not known"


class BenchResult(models.TextChoices):
    """What a test on the bench showed."""

    NOT_TESTED = "not-tested", "Not tested"
    FAULTY = "faulty", "Faulty"
    SOUND = "sound", "Sound"


class RemovedPart(ContractorOwned, Versioned):
    """A part that was taken out, known by the ``tag`` tied to it."""

    public_id = PublicIdField("part")
    call = models.ForeignKey(
        FaultCall, on_delete=models.PROTECT, related_name="removed_parts", db_index=False
    )
    repair = models.ForeignKey(
        Repair,
        on_delete=models.PROTECT,
        related_name="removed_parts",
        null=True,
        blank=True,
        db_index=False,
    )
    tag = models.CharField(max_length=60)
    what = models.CharField(max_length=200)
    at_place = models.JSONField(default=dict)
    removed_at = models.DateTimeField()
    removed_by_name = models.CharField(max_length=120)
    cause = models.CharField(max_length=20, choices=Cause.choices, default=Cause.UNKNOWN)
    cause_note = models.CharField(max_length=500, blank=True)
    bench_result = models.CharField(
        max_length=20, choices=BenchResult.choices, default=BenchResult.NOT_TESTED
    )
    bench_note = models.CharField(max_length=500, blank=True)
    bench_at = models.DateTimeField(null=True, blank=True)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="part_public_id"),
            unique_in_contractor("tag", name="part_tag"),
        )
        indexes = (models.Index(fields=["contractor", "call", "id"], name="part_of_call"),)

    def __str__(self) -> str:
        return self.tag


class PhotoMoment(models.TextChoices):
    """What a photo shows."""

    REPAIR = "repair", "The repair"
    BEFORE_OPENING = "before-opening", "The part before opening"
    AFTER_OPENING = "after-opening", "The part after opening"


class Photo(ContractorOwned):
    """A photo of a repair or of a removed part: what is known of its file, which lies under the
    random ``file_name`` in the media folder."""

    append_only: ClassVar[bool] = True

    public_id = PublicIdField("pho")
    call = models.ForeignKey(
        FaultCall, on_delete=models.PROTECT, related_name="photos", db_index=False
    )
    repair = models.ForeignKey(
        Repair,
        on_delete=models.PROTECT,
        related_name="photos",
        null=True,
        blank=True,
        db_index=False,
    )
    part = models.ForeignKey(
        RemovedPart,
        on_delete=models.PROTECT,
        related_name="photos",
        null=True,
        blank=True,
        db_index=False,
    )
    moment = models.CharField(max_length=20, choices=PhotoMoment.choices)
    file_name = models.CharField(max_length=100)
    media_type = models.CharField(max_length=20)
    size_bytes = models.PositiveIntegerField()
    width_px = models.PositiveIntegerField()
    height_px = models.PositiveIntegerField()
    sha256 = models.CharField(max_length=64)
    at = models.DateTimeField()
    by_name = models.CharField(max_length=120)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="photo_public_id"),
            unique_in_contractor("file_name", name="photo_file_name"),
            models.CheckConstraint(
                name="photo_of_one_thing",
                condition=Q(repair__isnull=False, part__isnull=True)
                | Q(repair__isnull=True, part__isnull=False),
            ),
        )
        indexes = (
            models.Index(fields=["contractor", "call", "id"], name="photo_of_call"),
            models.Index(fields=["contractor", "repair", "id"], name="photo_of_repair"),
            models.Index(fields=["contractor", "part", "id"], name="photo_of_part"),
        )

    def __str__(self) -> str:
        return self.public_id


class SoakState(models.TextChoices):
    """What a soak check came to."""

    OPEN = "open", "To be done"
    HELD = "held", "Held when wet"
    FAILED = "failed", "Did not hold"
    DROPPED = "dropped", "Not done"


class SoakCheck(ContractorOwned, Versioned):
    """A look or reading after the next rain or waterings that shows whether a repair holds wet.

    Due once it was wet from ``due_from`` on, and by ``due_by`` in any case; both are days.
    ``terminal_v``: at the controller's terminals, and the least that it may be as in a return
    test; ``wet``: the ground then, null: not said; what its legs read stands in ``SoakCheckLeg``.
    ``outside`` says in words which readings lie outside of what they should be, which by itself
    ends nothing; ``warnings`` which are doubted.
    """

    public_id = PublicIdField("soak")
    repair = models.ForeignKey(
        Repair, on_delete=models.PROTECT, related_name="soak_checks", db_index=False
    )
    state = models.CharField(
        max_length=10, choices=SoakState.choices, default=SoakState.OPEN, editable=False
    )
    due_from = models.DateField()
    due_by = models.DateField()
    done_at = models.DateTimeField(null=True, blank=True)
    done_by_kind = models.CharField(max_length=10, blank=True)
    done_by_id = models.CharField(max_length=80, blank=True)
    done_by_name = models.CharField(max_length=120, blank=True)
    note = models.CharField(max_length=500, blank=True)
    terminal_v = models.FloatField(null=True, blank=True)
    wet = models.BooleanField(null=True, blank=True)
    meter = models.CharField(max_length=120, blank=True)
    least_terminal_v = models.FloatField(null=True, blank=True)
    least_terminal_v_basis = models.CharField(max_length=20, blank=True)
    outside = models.JSONField(default=list)
    warnings = models.JSONField(default=list)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="soak_public_id"),
            unique_in_contractor("repair", name="soak_of_repair"),
        )
        indexes = (models.Index(fields=["contractor", "state", "due_from"], name="soak_due"),)

    def __str__(self) -> str:
        return self.public_id


class SoakCheckLeg(ContractorOwned):
    """What one leg read at a soak check, the coil out, and what it was held against.

    ``least_ma`` and ``most_ma``: between them its current should lie, by ``basis``, its newest
    sound record of the map as it is or the circuit's prediction; ``least_far_v`` as in a return
    test. ``within``: nothing that was read speaks against the leg; null: it was not judged.
    """

    append_only: ClassVar[bool] = True

    soak_check = models.ForeignKey(
        SoakCheck, on_delete=models.PROTECT, related_name="legs", db_index=False
    )
    leg = models.CharField(max_length=64)
    current_ma = models.FloatField(null=True, blank=True)
    far_v = models.FloatField(null=True, blank=True)
    insulation_mohm = models.FloatField(null=True, blank=True)
    least_ma = models.FloatField(null=True, blank=True)
    most_ma = models.FloatField(null=True, blank=True)
    basis = models.CharField(max_length=20, blank=True)
    least_far_v = models.FloatField(null=True, blank=True)
    least_far_v_basis = models.CharField(max_length=20, blank=True)
    within = models.BooleanField(null=True, blank=True)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("soak_check", "leg", name="soak_check_leg"),
            models.CheckConstraint(
                name="soak_leg_says_something",
                condition=Q(current_ma__isnull=False)
                | Q(far_v__isnull=False)
                | Q(insulation_mohm__isnull=False),
            ),
        )

    def __str__(self) -> str:
        return self.leg
