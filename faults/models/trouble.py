"""Runs over the history of failures, trouble stretches with their lives, and follow-up looks."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q

from core.models.jobs import Job
from core.tenancy.owned import ContractorOwned, PublicIdField, Versioned, unique_in_contractor
from faults.models.call import FaultCall
from sites.models.property import Property
from sites.models.wire_path import WirePath


class PathTallyRow(ContractorOwned):
    """The tally of a path, kept until something new is known of it.

    ``mark``: a digest of what it was made of; ``packed``: the arrays, as ``faults.tally_store``
    packs them."""

    path = models.ForeignKey(WirePath, on_delete=models.PROTECT, related_name="+", db_index=False)
    mark = models.CharField(max_length=64)
    packed = models.BinaryField()

    class Meta(ContractorOwned.Meta):
        constraints = (unique_in_contractor("path", name="tally_of_path"),)

    def __str__(self) -> str:
        return f"tally of path {self.path_id}"


class RecurrenceRun(ContractorOwned):
    """One run over a contractor's history, as known at ``as_of``.

    ``seen``: a digest of what it saw; ``found``: of what it found. A run of the same moment,
    parameters, ``watched`` and version sees and finds the same to the last digit. ``watched``:
    paths with live flags then, by primary key, scanned in any case; None in runs of before it was
    kept. ``overtaken``: a later moment had been looked at before it ended, so it left flags and
    looks as they were. ``rates``: of each kind of place, failures per unit of exposure and their
    spread with and without what is flagged, what wet ground and storms do, and the strongest
    stretch of each path that was scanned; traces weigh places by them.
    """

    append_only: ClassVar[bool] = True

    public_id = PublicIdField("rrun")
    job = models.ForeignKey(
        Job, on_delete=models.PROTECT, related_name="+", null=True, blank=True, db_index=False
    )
    as_of = models.DateTimeField()
    ended_at = models.DateTimeField()
    engine = models.CharField(max_length=20)
    parameters = models.JSONField()
    paths = models.PositiveIntegerField()
    paths_tallied = models.PositiveIntegerField()
    units = models.PositiveIntegerField()
    failures = models.PositiveIntegerField()
    left_out = models.PositiveIntegerField()
    watched = models.JSONField(null=True)
    seen = models.CharField(max_length=64)
    found = models.CharField(max_length=64)
    rates = models.JSONField(default=dict)
    flags_found = models.PositiveIntegerField()
    overtaken = models.BooleanField()

    class Meta(ContractorOwned.Meta):
        constraints = (unique_in_contractor("public_id", name="recurrence_run_public_id"),)
        indexes = (models.Index(fields=["contractor", "as_of"], name="recurrence_run_as_of"),)

    def __str__(self) -> str:
        return self.public_id


class FlagState(models.TextChoices):
    """Where a flag stands."""

    RAISED = "raised", "Raised"
    WATCHED = "watched", "Watched"
    CLEARED = "cleared", "Cleared"


class FlagKind(models.TextChoices):
    """What a flag is of."""

    PLACE = "place", "One place"
    STRETCH = "stretch", "A stretch"


class TroubleFlag(ContractorOwned, Versioned):
    """A place or stretch that fails more than its peers, with its evidence of the latest run.

    ``places`` in the words of the forms; ``findings``: the failures of the evidence, by public id
    in the order of time, None in flags of before they were kept. ``quiet_since``: the day from
    which on it no longer stood out.
    """

    public_id = PublicIdField("flag")
    path = models.ForeignKey(
        WirePath, on_delete=models.PROTECT, related_name="flags", db_index=False
    )
    kind = models.CharField(max_length=10, choices=FlagKind.choices)
    state = models.CharField(max_length=10, choices=FlagState.choices, editable=False)
    places = models.JSONField()
    evidence = models.JSONField()
    findings = models.JSONField(null=True)
    raised_at = models.DateTimeField()
    cleared_at = models.DateTimeField(null=True, blank=True)
    quiet_since = models.DateTimeField(null=True, blank=True)
    run = models.ForeignKey(
        RecurrenceRun, on_delete=models.PROTECT, related_name="+", db_index=False
    )

    class Meta(ContractorOwned.Meta):
        constraints = (unique_in_contractor("public_id", name="flag_public_id"),)
        indexes = (
            models.Index(fields=["contractor", "state", "id"], name="flag_by_state"),
            models.Index(fields=["contractor", "path", "id"], name="flag_of_path"),
        )

    def __str__(self) -> str:
        return self.public_id


class FlagMove(ContractorOwned):
    """A step in a flag's life: from which state to which, when, by whom and why."""

    append_only: ClassVar[bool] = True

    flag = models.ForeignKey(
        TroubleFlag, on_delete=models.PROTECT, related_name="moves", db_index=False
    )
    from_state = models.CharField(max_length=10, blank=True)
    to_state = models.CharField(max_length=10)
    at = models.DateTimeField()
    why = models.CharField(max_length=500)
    evidence = models.JSONField()
    by_kind = models.CharField(max_length=10)
    by_id = models.CharField(max_length=80)
    by_name = models.CharField(max_length=120)

    class Meta(ContractorOwned.Meta):
        indexes = (models.Index(fields=["contractor", "flag", "id"], name="move_of_flag"),)

    def __str__(self) -> str:
        return f"{self.from_state} to {self.to_state}"


class InspectionRules(ContractorOwned, Versioned):
    """A contractor's rules for looks: how many a week, and the days when nobody goes out.

    ``look_at_chance``: the predicted chance of a failure at which a flagged stretch is due;
    ``path_look_at_chance``: the same for a path without a flag, None: such paths are not looked
    at. ``holidays``: days as ISO texts.
    """

    weekly_capacity = models.PositiveSmallIntegerField(default=10)
    look_at_chance = models.FloatField(default=0.2)
    path_look_at_chance = models.FloatField(null=True, blank=True)
    holidays = models.JSONField(default=list)

    class Meta(ContractorOwned.Meta):
        constraints = (
            models.UniqueConstraint(fields=("contractor",), name="rules_of_contractor"),
            models.CheckConstraint(name="rules_capacity", condition=Q(weekly_capacity__gte=1)),
        )

    def __str__(self) -> str:
        return f"{self.weekly_capacity} a week"


class InspectionState(models.TextChoices):
    """What became of a look."""

    OPEN = "open", "To be done"
    DONE = "done", "Done"
    SKIPPED = "skipped", "Skipped"
    WITHDRAWN = "withdrawn", "No longer asked for"


class InspectionResult(models.TextChoices):
    """What a look showed."""

    SOUND = "sound", "Sound"
    WORN = "worn", "Worn, holds for now"
    FAULT = "fault", "A fault"


class Inspection(ContractorOwned, Versioned):
    """A look at a trouble stretch, or at a path without a flag. ``due_on``: the day at the
    property when the predicted chance of a failure reaches its target; ``planned_week``: the Monday
    of the week it is planned for, None where no week has room.

    ``number`` counts the looks of the flag, or those of the path without one. ``places``: where to
    begin on a path without a flag, in the words of the forms. ``call``: what a fault that it showed
    was reported to.
    """

    public_id = PublicIdField("insp")
    property = models.ForeignKey(
        Property, on_delete=models.PROTECT, related_name="inspections", db_index=False
    )
    path = models.ForeignKey(
        WirePath, on_delete=models.PROTECT, related_name="inspections", db_index=False
    )
    flag = models.ForeignKey(
        TroubleFlag,
        on_delete=models.PROTECT,
        related_name="inspections",
        null=True,
        blank=True,
        db_index=False,
    )
    places = models.JSONField(default=list, blank=True)
    number = models.PositiveIntegerField()
    state = models.CharField(
        max_length=10,
        choices=InspectionState.choices,
        default=InspectionState.OPEN,
        editable=False,
    )
    due_on = models.DateField()
    planned_week = models.DateField(null=True, blank=True)
    chance = models.FloatField()
    created_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    ended_by_name = models.CharField(max_length=120, blank=True)
    result = models.CharField(max_length=10, choices=InspectionResult.choices, blank=True)
    note = models.CharField(max_length=500, blank=True)
    call = models.ForeignKey(
        FaultCall,
        on_delete=models.PROTECT,
        related_name="inspections",
        null=True,
        blank=True,
        db_index=False,
    )

    class Meta(ContractorOwned.Meta):
        constraints = (
            unique_in_contractor("public_id", name="inspection_public_id"),
            unique_in_contractor("flag", "number", name="inspection_number"),
            unique_in_contractor(
                "flag", name="inspection_open_once", condition=Q(state=InspectionState.OPEN)
            ),
            unique_in_contractor(
                "path",
                "number",
                name="inspection_of_path_number",
                condition=Q(flag__isnull=True),
            ),
            unique_in_contractor(
                "path",
                name="inspection_of_path_open_once",
                condition=Q(flag__isnull=True, state=InspectionState.OPEN),
            ),
        )
        indexes = (
            models.Index(fields=["contractor", "state", "due_on"], name="inspection_due"),
            models.Index(fields=["contractor", "path", "id"], name="inspection_of_path"),
            models.Index(fields=["contractor", "call", "id"], name="inspection_of_call"),
        )

    def __str__(self) -> str:
        return self.public_id
