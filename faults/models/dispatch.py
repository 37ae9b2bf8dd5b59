"""Crews as they are planned with, plans of days, the visits in them, and calendar addresses."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from core.models.accounts import Crew
from core.models.jobs import Job
from core.tenancy.owned import ContractorOwned, PublicIdField, Versioned, unique_in_contractor
from faults.models.call import FaultCall
from faults.models.repair import SoakCheck
from faults.models.trouble import Inspection
from sites.models.wire_path import WirePath


class CrewCard(ContractorOwned, Versioned):
    """What planning knows of a crew.

    ``skills`` and ``tools`` are words, ``parts`` counts aboard at a shift's start by word.
    ``hours`` are weekly shifts in the words of ``faults.crew_hours``; ``days_off`` ISO dates.
    """

    crew = models.OneToOneField(Crew, on_delete=models.PROTECT, related_name="card")
    time_zone = models.CharField(max_length=64)
    base_lat = models.FloatField()
    base_lon = models.FloatField()
    people = models.PositiveSmallIntegerField(default=1)
    skills = models.JSONField(default=list)
    tools = models.JSONField(default=list)
    parts = models.JSONField(default=dict)
    hours = models.JSONField(default=list)
    days_off = models.JSONField(default=list)
    position_lat = models.FloatField(null=True, blank=True)
    position_lon = models.FloatField(null=True, blank=True)
    position_at = models.DateTimeField(null=True, blank=True)

    class Meta(ContractorOwned.Meta):
        constraints = (
            models.CheckConstraint(
                name="crew_card_whole_position",
                condition=Q(position_lat__isnull=True, position_lon__isnull=True)
                | Q(position_lat__isnull=False, position_lon__isnull=False),
            ),
        )

    def __str__(self) -> str:
        return f"card of {self.crew_id}"


class CallNeeds(ContractorOwned, Versioned):
    """What a visit for a call wants of a crew, and when the gate is open.

    ``access`` are weekly hours in the words of ``faults.crew_hours``, in the property's zone; none:
    at any time.
    """

    call = models.OneToOneField(FaultCall, on_delete=models.PROTECT, related_name="needs")
    people = models.PositiveSmallIntegerField(default=1)
    skills = models.JSONField(default=list)
    tools = models.JSONField(default=list)
    parts = models.JSONField(default=dict)
    access = models.JSONField(default=list)

    def __str__(self) -> str:
        return f"needs of {self.call_id}"


class PathEstimate(ContractorOwned):
    """Minutes that a trace of a path takes from its first step on, the proof included, as the
    engine says before anything was done: half take less than P50, nine tenths less than P90.

    Made anew where the path has another ``revision`` since, or the ``engine`` says otherwise.
    """

    path = models.OneToOneField(WirePath, on_delete=models.PROTECT, related_name="estimate")
    revision = models.PositiveIntegerField()
    engine = models.CharField(max_length=20)
    p50_min = models.FloatField()
    p90_min = models.FloatField()

    def __str__(self) -> str:
        return f"estimate of {self.path_id}"


class PlanState(models.TextChoices):
    """Where a plan stands."""

    ASKED = "asked", "Being made"
    DRAFT = "draft", "Draft"
    PUBLISHED = "published", "Published"
    SUPERSEDED = "superseded", "Superseded"
    FAILED = "failed", "Failed"


class DayPlan(ContractorOwned, Versioned):
    """A plan of the days from ``from_day`` on, made by ``job``.

    ``saw`` is all that the planner was given and ``answer`` all that it gave, both in the words of
    ``faults.forms.day_plan``: from the one the other can be made again. ``told`` is the published
    plan that this one changes as little as it must; ``why`` is what it was asked for.
    """

    public_id = PublicIdField("plan")
    from_day = models.DateField()
    days = models.PositiveSmallIntegerField(default=1)
    state = models.CharField(max_length=20, choices=PlanState.choices, default=PlanState.ASKED)
    told = models.ForeignKey(
        "self", on_delete=models.PROTECT, related_name="+", null=True, blank=True, db_index=False
    )
    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="+", db_index=False)
    why = models.CharField(max_length=500, blank=True)
    options = models.JSONField(default=dict)
    saw = models.JSONField(default=dict)
    answer = models.JSONField(default=dict)
    refused = models.CharField(max_length=500, blank=True)
    asked_at = models.DateTimeField()
    by_id = models.CharField(max_length=80)
    by_name = models.CharField(max_length=120)
    published_at = models.DateTimeField(null=True, blank=True)
    published_by_name = models.CharField(max_length=120, blank=True)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="day_plan_public_id"),
            # At most one plan holds, so that a visit is told once.
            unique_in_contractor(
                "state", name="day_plan_published", condition=Q(state="published")
            ),
        )
        indexes = (models.Index(fields=["contractor", "from_day", "id"], name="plan_by_day"),)

    def __str__(self) -> str:
        return self.public_id


class VisitState(models.TextChoices):
    """What became of a visit."""

    PLANNED = "planned", "Planned"
    STARTED = "started", "Started"
    DONE = "done", "Done"
    MISSED = "missed", "Missed"


class PlannedVisit(ContractorOwned, Versioned):
    """A crew at a place at a time, for a call, to look at a repair when it is wet, or to look at a
    trouble stretch.

    ``name`` is what it is for, stable from plan to plan (``call:…``, ``soak:…``, ``look:…``);
    ``is_locked`` keeps crew and start in later plans; ``lacked`` is what was needed there and was
    not aboard, in words.
    """

    public_id = PublicIdField("visit")
    plan = models.ForeignKey(
        DayPlan, on_delete=models.PROTECT, related_name="visits", db_index=False
    )
    crew = models.ForeignKey(Crew, on_delete=models.PROTECT, related_name="+", db_index=False)
    name = models.CharField(max_length=80)
    kind = models.CharField(max_length=20)
    call = models.ForeignKey(
        FaultCall,
        on_delete=models.PROTECT,
        related_name="visits",
        null=True,
        blank=True,
        db_index=False,
    )
    soak_check = models.ForeignKey(
        SoakCheck,
        on_delete=models.PROTECT,
        related_name="visits",
        null=True,
        blank=True,
        db_index=False,
    )
    inspection = models.ForeignKey(
        Inspection,
        on_delete=models.PROTECT,
        related_name="visits",
        null=True,
        blank=True,
        db_index=False,
    )
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    drive_min = models.PositiveIntegerField(default=0)
    why = models.CharField(max_length=500, blank=True)
    is_locked = models.BooleanField(default=False)
    state = models.CharField(max_length=20, choices=VisitState.choices, default=VisitState.PLANNED)
    state_at = models.DateTimeField(null=True, blank=True)
    missed_why = models.CharField(max_length=500, blank=True)
    lacked = models.JSONField(default=list, blank=True)

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="visit_public_id"),
            unique_in_contractor("plan", "name", name="visit_once_in_a_plan"),
            models.CheckConstraint(
                name="visit_ends_after_it_starts", condition=Q(ends_at__gte=F("starts_at"))
            ),
            models.CheckConstraint(
                name="visit_missed_says_why", condition=~Q(state="missed") | ~Q(missed_why="")
            ),
        )
        indexes = (
            models.Index(fields=["contractor", "crew", "starts_at"], name="visit_of_crew"),
            models.Index(fields=["contractor", "call", "id"], name="visit_of_call"),
        )

    def __str__(self) -> str:
        return self.name


class CalendarAddress(ContractorOwned):
    """A secret address under which a crew's visits are given as a calendar; only its digest is
    kept."""

    public_id = PublicIdField("cal")
    crew = models.ForeignKey(Crew, on_delete=models.PROTECT, related_name="+", db_index=False)
    # Unique over all contractors: a request for it says no contractor.
    secret_digest = models.CharField(max_length=64, unique=True)
    created_at = models.DateTimeField()
    by_name = models.CharField(max_length=120)
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta(ContractorOwned.Meta):
        constraints = (unique_in_contractor("public_id", name="calendar_public_id"),)

    def __str__(self) -> str:
        return self.public_id
